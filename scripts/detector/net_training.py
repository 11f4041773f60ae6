"""Fits the network on a GPU (PyTorch) and writes it as ONNX. Only simulated films go in."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from net_clutter import uneven, zoomed
from samples import NetSample
from torch import nn

from rtscan.reading.net import INPUTS, KINDS, OUTPUTS

CROP = (192, 512)
BATCH = 48
WIDTHS = (32, 48, 68, 96, 128)
"""Five levels, the deepest one pixel per 3.2 mm."""
LEAST_DETECTABILITY = 3.0


def _pair(inputs: int, outputs: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
        nn.Conv2d(outputs, outputs, 3, padding=1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class Context(nn.Module):
    """Adds to every place what the whole strip is like, mean and spread of the deepest level: a bead uneven all along is no flaw."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.mix = nn.Sequential(nn.Linear(2 * width, width), nn.ReLU(inplace=True), nn.Linear(width, width))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        mean = x.mean(dim=(2, 3), keepdim=True)
        spread = torch.sqrt(((x - mean) ** 2).mean(dim=(2, 3), keepdim=True) + 1e-4)
        return x + self.mix(torch.cat([mean, spread], dim=1).flatten(1))[:, :, None, None]


class Net(nn.Module):
    """A U-shaped network that answers on half the grid it sees, one level for each of `widths`."""

    def __init__(self, inputs: int, widths: tuple[int, ...], outputs: int) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(inputs, widths[0], 4, stride=2, padding=1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU(inplace=True)
        )
        self.down = nn.ModuleList([_pair(widths[max(0, k - 1)], w) for k, w in enumerate(widths)])
        self.up = nn.ModuleList([_pair(widths[k] + widths[k + 1], widths[k]) for k in range(len(widths) - 1)])
        self.context = Context(widths[-1])
        self.head = nn.Conv2d(widths[0], outputs, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x)
        kept = []
        for k, block in enumerate(self.down):
            x = block(nn.functional.max_pool2d(x, 2) if k else x)
            kept.append(x)
        x = self.context(x)
        for k in range(len(self.up) - 1, -1, -1):
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = self.up[k](torch.cat([kept[k], x], dim=1))
        return self.head(x)


class Answer(nn.Module):
    """Probabilities instead of log-odds: sigmoid for the tones, softmax over the kinds."""

    def __init__(self, net: Net) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.net(x)
        return torch.cat([torch.sigmoid(y[:, :2]), torch.softmax(y[:, 2:], dim=1)], dim=1)


class Crops:
    """Random crops of all strips, mirrored and with jittered noise, on the GPU. All strips lie end to end on one canvas, so that a batch
    is one look-up."""

    def __init__(self, samples: list[NetSample], device: str, rng: np.random.Generator) -> None:
        self.rng, self.device = rng, device
        heights, lengths = (np.array([max(s.flaw.shape[k], CROP[k]) for s in samples]) for k in (0, 1))
        starts = np.concatenate([[0], np.cumsum(lengths)])
        self.seen = torch.zeros((INPUTS, int(heights.max()), int(starts[-1])), dtype=torch.float16, device=device)
        self.flaw = torch.zeros((int(heights.max()), int(starts[-1])), dtype=torch.uint8, device=device)
        self.tables = torch.zeros((len(samples), 256, 4), device=device)
        for k, sample in enumerate(samples):
            down, right = heights[k] - sample.flaw.shape[0], lengths[k] - sample.flaw.shape[1]
            columns = slice(int(starts[k]), int(starts[k + 1]))
            seen = np.pad(sample.seen, ((0, 0), (0, down), (0, right)), mode="edge")
            self.seen[:, : heights[k], columns] = torch.from_numpy(seen).to(device)
            flaw = np.pad(sample.flaw, ((0, down), (0, right)))
            self.flaw[: heights[k], columns] = torch.from_numpy(flaw).to(device)
            self.tables[k, 1 : 1 + min(255, len(sample.table))] = torch.from_numpy(sample.table[:255]).to(device)
        self.starts, self.heights, self.lengths = starts[:-1], heights, lengths
        self.share = heights * lengths / float((heights * lengths).sum())
        self.places = [self._places(s) for s in samples]

    @staticmethod
    def _places(sample: NetSample) -> np.ndarray:
        found = [np.argwhere(sample.flaw == row + 1) for row in range(len(sample.table))]
        return np.array([f[len(f) // 2] for f in found if len(f)], dtype=int).reshape(-1, 2)

    def batch(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        strips = self.rng.choice(len(self.places), BATCH, p=self.share)
        corners = np.array([self._corner(k) for k in strips])
        rows = torch.from_numpy(corners[:, :1] + np.arange(CROP[0])).to(self.device)[:, :, None]
        columns = torch.from_numpy(self.starts[strips][:, None] + corners[:, 1:] + np.arange(CROP[1])).to(self.device)[:, None, :]
        x, f = self.seen[:, rows, columns].transpose(0, 1).float(), self.flaw[rows, columns]
        x, f = zoomed(*self._mirrored(x, f), self.rng)
        return self._jittered(uneven(x, self.rng)), f, self.tables[torch.from_numpy(strips).to(self.device)]

    def _corner(self, k: int) -> tuple[int, int]:
        """First row and column of a crop of strip k: half of them hold a flaw."""
        room = np.array([self.heights[k] - CROP[0], self.lengths[k] - CROP[1]])
        if len(self.places[k]) and self.rng.random() < 0.5:
            at = self.places[k][self.rng.integers(len(self.places[k]))] - (self.rng.random(2) * CROP).astype(int)
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


def loss_of(answer: torch.Tensor, flaw: torch.Tensor, table: torch.Tensor) -> torch.Tensor:
    """Cross-entropy of both tones with every flaw weighing alike, and of the kind where a flaw is. Flaws that no observer could see,
    and a rim round every flaw, count for nothing."""
    index = nn.functional.max_pool2d(flaw[:, None].float(), 2)[:, 0].long()
    facts = torch.gather(table, 1, index.flatten(1)[:, :, None].expand(-1, -1, 4)).reshape(*index.shape, 4)
    there, visible = index > 0, facts[..., 2] >= LEAST_DETECTABILITY
    near = nn.functional.max_pool2d(there.float()[:, None], 5, stride=1, padding=2)[:, 0] > 0
    area = torch.clamp(facts[..., 3] / 4, min=4.0)
    weight = torch.where(
        there, torch.where(visible, torch.clamp(60.0 / area.sqrt() / 4, 0.6, 6.0), torch.zeros_like(area)), torch.where(near, 0.0, 1.0)
    )
    total = answer.new_zeros(())
    for tone in (0, 1):
        target = (there & (facts[..., 0] == tone)).float()
        each = nn.functional.binary_cross_entropy_with_logits(answer[:, tone], target, reduction="none")
        total = total + (each * weight).mean() * 10.0
    kinds = nn.functional.cross_entropy(answer[:, 2:], facts[..., 1].long(), reduction="none")
    counted = weight * (there & visible).float()
    return total + 0.5 * (kinds * counted).sum() / (counted.sum() + 1.0)


def fit(samples: list[NetSample], minutes: float, seed: int, say: Any) -> Net:
    """Trains for a fixed time with a one-cycle learning rate."""
    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    crops = Crops(samples, device, np.random.default_rng(seed))
    torch.backends.cudnn.benchmark = True
    net = Net(INPUTS, WIDTHS, len(OUTPUTS)).to(device, memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    start, step, shown = time.time(), 0, 0.0
    while (share := (time.time() - start) / (60 * minutes)) < 1.0:
        rate = 3e-3 * (share / 0.08 if share < 0.08 else 0.5 * (1 + np.cos(np.pi * (share - 0.08) / 0.92))) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        seen, flaw, table = crops.batch()
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            answer = net(seen.contiguous(memory_format=torch.channels_last))
        loss = loss_of(answer.float(), flaw, table)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        shown = 0.98 * shown + 0.02 * float(loss.detach()) if step % 10 == 0 and step else shown or float(loss.detach())
        if step % 400 == 0:
            say(f"step {step}, {time.time() - start:.0f} s, loss {shown:.4f}")
        step += 1
    say(f"{step} steps, loss {shown:.4f}")
    return net


def save_onnx(net: Net, path: Path) -> None:
    """Writes the network as ONNX with free height and width."""
    answer = Answer(net).eval().cpu()
    example = torch.zeros((1, INPUTS, 256, 512))
    path.parent.mkdir(parents=True, exist_ok=True)
    torch.onnx.export(
        answer,
        (example,),
        str(path),
        input_names=["seen"],
        output_names=["answer"],
        opset_version=17,
        dynamo=False,
        dynamic_axes={"seen": {2: "rows", 3: "columns"}, "answer": {2: "rows", 3: "columns"}},
    )
    assert len(KINDS) + 2 == len(OUTPUTS)
