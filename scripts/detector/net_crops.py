"""Crops that the network learns from: sound strips with their own flaws, with the flaws of other strips laid over them, or with none.

A strip carries what its flaws do apart from what it would be without them (`samples.NetSample`), so every flaw can lie on every bead: the
same place across the weld, the size that goes with the weld's width, stronger or fainter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from net_clutter import CLIP, uneven, zoomed
from samples import COMPRESSED, MOVED, NetSample
from torch.nn import functional

CROP = (192, 512)
BATCH = 48
FACTS = 4
ROWS_OF_A_STRIP = 256
OWN_SHARE = 0.75
"""Share of the crops that keep their own flaws; clean films have none."""
LAID_SHARES = (0.45, 0.2)
"""Share of the crops with flaws of one and of a second other strip."""
ASKED = 6
"""Strips asked, of which the one most like the crop's own gives its flaws."""
LEAST_SCALE = 0.7
WINDOW = (int(CROP[0] / LEAST_SCALE) + 6, int(CROP[1] / LEAST_SCALE) + 6)
FAINTER, STRONGER = -0.9, 0.3
"""Natural logarithms of the least and largest factor of a laid flaw's strength. These shares and ranges were chosen once, not tuned."""


@dataclass(frozen=True)
class _Strip:
    """A strip on the device; `places` has one place (row, column) of every flaw."""

    sound: torch.Tensor
    added: torch.Tensor
    flaw: torch.Tensor
    table: torch.Tensor
    places: np.ndarray
    middle_row: float
    half_rows: float
    unsharpness_mm: float


class Crops:
    """Random crops of all strips so far, mirrored and with jittered noise, on the GPU."""

    def __init__(self, device: str, rng: np.random.Generator) -> None:
        self.rng, self.device = rng, device
        self.strips: list[_Strip] = []
        self.areas: list[float] = []
        self.givers: list[int] = []

    def add(self, sample: NetSample) -> None:
        """One more strip, made as large as a crop where it is smaller."""
        rows, columns = sample.flaw.shape
        margin = ((0, max(0, CROP[0] - rows)), (0, max(0, CROP[1] - columns)))
        table = np.zeros((ROWS_OF_A_STRIP, FACTS), dtype=np.float32)
        table[1 : 1 + len(sample.table)] = sample.table
        parts = (
            np.pad(sample.sound, ((0, 0), *margin), mode="edge"),
            np.pad(sample.added, ((0, 0), *margin)),
            np.pad(sample.flaw, margin),
            table,
        )
        places = _places(sample)
        if len(places):
            self.givers.append(len(self.strips))
        tensors = (torch.from_numpy(part).to(self.device) for part in parts)
        self.strips.append(_Strip(*tensors, places, sample.middle_row, sample.half_rows, sample.unsharpness_mm))
        self.areas.append(float(np.prod(np.maximum(sample.flaw.shape, CROP))))

    def batch(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """What the network sees (crops, channels, across, along), the index of the flaw at each place (crops, across, along), and the
        facts of the flaws by index (crops, indices, facts)."""
        chosen = self.rng.choice(len(self.areas), BATCH, p=np.array(self.areas) / sum(self.areas))
        corners = [(self.strips[k], *self._corner(self.strips[k])) for k in chosen]
        own = self.rng.random(BATCH) < OWN_SHARE
        sound = torch.stack([s.sound[:, r : r + CROP[0], c : c + CROP[1]] for s, r, c in corners]).float()
        added = torch.stack([s.added[:, r : r + CROP[0], c : c + CROP[1]] for s, r, c in corners]).float()
        flaw = torch.stack([s.flaw[r : r + CROP[0], c : c + CROP[1]] for s, r, c in corners]).to(torch.int16)
        kept = torch.from_numpy(own).to(self.device)
        added, flaw = added * kept[:, None, None, None], flaw * kept[:, None, None]
        tables = [torch.stack([s.table for s, _, _ in corners])]
        for layer, share in enumerate(LAID_SHARES, start=1):
            tables.append(self._lay(added, flaw, corners, share, layer * ROWS_OF_A_STRIP))
        flaw = flaw * (sound[:, 3] >= 0)
        x, f = zoomed(*self._mirrored(_together(sound, added), flaw), self.rng)
        return self._jittered(uneven(x, self.rng)), f, torch.cat(tables, dim=1)

    def _lay(
        self, added: torch.Tensor, flaw: torch.Tensor, corners: list[tuple[_Strip, int, int]], share: float, first: int
    ) -> torch.Tensor:
        """Lays flaws of other strips into `added` and `flaw` of some crops; their facts, shape (crops, indices, facts)."""
        facts = torch.zeros((BATCH, ROWS_OF_A_STRIP, FACTS), device=self.device)
        on, windows, turns, strengths, tables, factors = [], [], [], [], [], []
        for k in np.flatnonzero(self.rng.random(BATCH) < share):
            strip, row, _ = corners[k]
            giver = self._giver(strip)
            if giver is None:
                continue
            strength = float(np.exp(self.rng.uniform(FAINTER, STRONGER))) if self.rng.random() < 0.7 else 1.0
            window, turn, scale = self._window(giver, strip, row)
            on.append(int(k))
            windows.append(window)
            turns.append(turn)
            strengths.append(strength)
            tables.append(giver.table)
            factors.append((1.0, 1.0, strength, scale**2))
        if on:
            turned = torch.tensor(np.stack(turns), dtype=torch.float32, device=self.device)
            grid, stack = functional.affine_grid(turned, [len(on), 1, *CROP], align_corners=False), torch.stack(windows)
            seen = functional.grid_sample(stack[:, :-1], grid, mode="bilinear", padding_mode="zeros", align_corners=False)
            index = functional.grid_sample(stack[:, -1:], grid, mode="nearest", padding_mode="zeros", align_corners=False)[:, 0]
            added[on] += seen * torch.tensor(strengths, device=self.device, dtype=torch.float32)[:, None, None, None]
            laid = index.round().to(torch.int16)
            flaw[on] = torch.where(laid > 0, laid + first, flaw[on])
            facts[on] = torch.stack(tables) * torch.tensor(factors, device=self.device)[:, None]
        return facts

    def _giver(self, strip: _Strip) -> _Strip | None:
        """A strip with flaws whose weld and blur are like those of `strip`."""
        asked = [self.strips[self.givers[k]] for k in self.rng.integers(len(self.givers), size=ASKED)] if self.givers else []
        fit = [s for s in asked if LEAST_SCALE <= strip.half_rows / s.half_rows <= 1 / LEAST_SCALE]

        def unlike(other: _Strip) -> float:
            return abs(np.log(strip.half_rows / other.half_rows)) + abs(np.log(strip.unsharpness_mm / other.unsharpness_mm))

        return min(fit, key=unlike, default=None)

    def _window(self, giver: _Strip, strip: _Strip, row: int) -> tuple[torch.Tensor, np.ndarray, float]:
        """The part of the giver that covers a crop of `strip` whose first row is `row` (added channels and index, `WINDOW`), the
        transformation from crop to window, and the change of size. One of the giver's flaws comes to lie somewhere in the crop."""
        scale = strip.half_rows / giver.half_rows
        way = self.rng.choice([-1.0, 1.0], 2)
        place = giver.places[self.rng.integers(len(giver.places))]
        at = (strip.middle_row - row, self.rng.uniform(0, CROP[1]))
        held = (giver.middle_row, float(place[1]))
        step = way / scale
        start = [h - s * a for h, s, a in zip(held, step, at, strict=True)]  # giver = start + step * crop
        low = [int(np.floor(min(b, b + s * (n - 1)))) for b, s, n in zip(start, step, CROP, strict=True)]
        window = torch.zeros((len(MOVED) + 1, *WINDOW), device=self.device)
        r, c = (max(v, 0) for v in low)
        r1, c1 = (max(0, min(v + w, n)) for v, w, n in zip(low, WINDOW, giver.flaw.shape, strict=True))
        if r1 > r and c1 > c:
            there = (slice(r - low[0], r1 - low[0]), slice(c - low[1], c1 - low[1]))
            window[:-1, there[0], there[1]] = giver.added[:, r:r1, c:c1].float()
            window[-1, there[0], there[1]] = giver.flaw[r:r1, c:c1].float()
        turn = np.zeros((2, 3))
        for axis, n, w in ((0, 1, 1), (1, 0, 0)):  # the transformation names columns first
            turn[axis, axis] = step[n] * CROP[n] / WINDOW[w]
            turn[axis, 2] = (step[n] * (CROP[n] - 1) + 2 * (start[n] - low[n]) + 1) / WINDOW[w] - 1
        return window, turn, scale

    def _corner(self, strip: _Strip) -> tuple[int, int]:
        """First row and column of a crop of a strip: half of them hold a flaw."""
        room = np.array([strip.flaw.shape[0] - CROP[0], strip.flaw.shape[1] - CROP[1]])
        if len(strip.places) and self.rng.random() < 0.5:
            at = strip.places[self.rng.integers(len(strip.places))] - (self.rng.random(2) * CROP).astype(int)
        else:
            at = (self.rng.random(2) * (room + 1)).astype(int)
        r, c = np.clip(at, 0, room)
        return int(r), int(c)

    def _mirrored(self, x: torch.Tensor, f: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Half of the batch upside down, half of each half end for end; crops come in random order."""
        half, quarter = BATCH // 2, BATCH // 4
        x, f = x.clone(), f.clone()
        x[:half], f[:half] = torch.flip(x[:half], [2]), torch.flip(f[:half], [1])
        x[:half, 2] *= -1.0
        for part in (slice(0, quarter), slice(half, half + quarter)):
            x[part], f[part] = torch.flip(x[part], [3]), torch.flip(f[part], [2])
        return x, f

    def _jittered(self, x: torch.Tensor) -> torch.Tensor:
        draw = self.rng.normal(0, [0.15, 0.25, 0.08, 0.15], (BATCH, 4))
        one, nil = np.ones(BATCH), np.zeros(BATCH)
        scale = np.stack([np.exp(draw[:, 0]), np.exp(draw[:, 1]), one, one, one, one], axis=1)
        shift = np.stack([nil, nil, draw[:, 2], nil, draw[:, 3], nil], axis=1)
        scale_t, shift_t = (torch.from_numpy(v.astype(np.float32)).to(self.device)[:, :, None, None] for v in (scale, shift))
        return x * scale_t + shift_t


def _places(sample: NetSample) -> np.ndarray:
    found = [np.argwhere(sample.flaw == row + 1) for row in range(len(sample.table))]
    return np.array([f[len(f) // 2] for f in found if len(f)], dtype=int).reshape(-1, 2)


def _together(sound: torch.Tensor, added: torch.Tensor) -> torch.Tensor:
    """The channels with what the flaws add to them; nothing is added where a strip is unusable."""
    usable = (sound[:, 3] >= 0).float()
    out = sound.clone()
    for k, own in enumerate(MOVED):
        change = added[:, k] * usable
        if own in COMPRESSED:
            out[:, own] = torch.asinh((torch.sinh(sound[:, own]) + change).clamp(-CLIP, CLIP))
        else:
            out[:, own] = sound[:, own] + change
    return out


def whole(sample: NetSample) -> np.ndarray:
    """What the network sees of a strip as drawn, float32 (channels, across, along)."""
    sound, added = (torch.from_numpy(part.astype(np.float32))[None] for part in (sample.sound, sample.added))
    return np.asarray(_together(sound, added)[0].numpy())
