"""Fits the network on a GPU (PyTorch) and writes it as ONNX. Only simulated films go in."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from samples import NetSample
from torch import nn

from rtscan.reading.net import KINDS, OUTPUTS

CROP = (192, 512)
BATCH = 48
WIDTHS = (20, 28, 40, 56, 72)
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


class Net(nn.Module):
    """A U-shaped network that answers on half the grid it sees, one level for each of `widths`."""

    def __init__(self, inputs: int, widths: tuple[int, ...], outputs: int) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(inputs, widths[0], 4, stride=2, padding=1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU(inplace=True)
        )
        self.down = nn.ModuleList([_pair(widths[max(0, k - 1)], w) for k, w in enumerate(widths)])
        self.up = nn.ModuleList([_pair(widths[k] + widths[k + 1], widths[k]) for k in range(len(widths) - 1)])
        self.head = nn.Conv2d(widths[0], outputs, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.stem(x)
        kept = []
        for k, block in enumerate(self.down):
            x = block(nn.functional.max_pool2d(x, 2) if k else x)
            kept.append(x)
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
    """Random crops of all strips, mirrored and with jittered noise, on the GPU."""

    def __init__(self, samples: list[NetSample], device: str, rng: np.random.Generator) -> None:
        self.rng, self.device = rng, device
        self.seen = [torch.from_numpy(self._padded(s.seen, 0.0)).to(device) for s in samples]
        self.flaw = [torch.from_numpy(self._padded(s.flaw[None], 0)[0]).to(device) for s in samples]
        self.tables = [torch.from_numpy(np.concatenate([np.zeros((1, 4), np.float32), s.table])).to(device) for s in samples]
        self.size = np.array([s.seen.shape[1] * s.seen.shape[2] for s in samples], dtype=float)
        self.places = [self._places(s) for s in samples]

    @staticmethod
    def _padded(image: np.ndarray, value: float) -> np.ndarray:
        down, right = max(0, CROP[0] - image.shape[1]), max(0, CROP[1] - image.shape[2])
        return np.pad(image, ((0, 0), (0, down), (0, right)), mode="edge" if value == 0.0 and image.shape[0] > 1 else "constant")

    @staticmethod
    def _places(sample: NetSample) -> np.ndarray:
        found = [np.argwhere(sample.flaw == row + 1) for row in range(len(sample.table))]
        return np.array([f[len(f) // 2] for f in found if len(f)], dtype=int).reshape(-1, 2)

    def batch(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        seen, flaw, table = [], [], []
        for k in self.rng.choice(len(self.seen), BATCH, p=self.size / self.size.sum()):
            shape = self.seen[k].shape[1:]
            if len(self.places[k]) and self.rng.random() < 0.5:
                at = self.places[k][self.rng.integers(len(self.places[k]))] - (self.rng.random(2) * CROP).astype(int)
            else:
                at = (self.rng.random(2) * (np.array(shape) - CROP + 1)).astype(int)
            r, c = (int(np.clip(at[j], 0, shape[j] - CROP[j])) for j in (0, 1))
            x, f = self.seen[k][:, r : r + CROP[0], c : c + CROP[1]].float(), self.flaw[k][r : r + CROP[0], c : c + CROP[1]]
            rows = torch.zeros((256, 4), device=self.device)
            rows[: len(self.tables[k])] = self.tables[k][:256]
            seen.append(x)
            flaw.append(f)
            table.append(rows)
        x, f = self._mirrored(torch.stack(seen), torch.stack(flaw))
        return self._jittered(x), f, torch.stack(table)

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
        scale = np.stack([np.exp(draw[:, 0]), np.exp(draw[:, 1]), one, one, one], axis=1)
        shift = np.stack([nil, nil, draw[:, 2], nil, draw[:, 3]], axis=1)
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
    net = Net(5, WIDTHS, len(OUTPUTS)).to(device)
    optimiser = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    start, step, shown = time.time(), 0, 0.0
    while (share := (time.time() - start) / (60 * minutes)) < 1.0:
        rate = 3e-3 * (share / 0.08 if share < 0.08 else 0.5 * (1 + np.cos(np.pi * (share - 0.08) / 0.92))) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        seen, flaw, table = crops.batch()
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            answer = net(seen)
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
    example = torch.zeros((1, 5, 256, 512))
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
