"""Fits the network that finds the weld on a reduced film (PyTorch, a GPU) and writes it as ONNX. Only simulated films go in."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from net_training import Net
from torch import nn
from weld_samples import WeldSample

from rtscan.reading.weld_sight import LIKELY, LONGER_SIDE, OUTPUTS, channels, in_square, out_of_square

SIDE = 320
BATCH = 48
WIDTHS = (16, 24, 32, 48, 64, 80)
"""Six levels: the deepest sees the whole picture."""
LEFT_OUT = 0.08


class Pictures:
    """Random views of all films: mirrored, turned, tilted, scaled, unevenly lit, all on the GPU, a batch at a time."""

    def __init__(self, samples: list[WeldSample], device: str, rng: np.random.Generator) -> None:
        self.rng, self.device = rng, device
        stack = torch.zeros((len(samples), 5, LONGER_SIDE, LONGER_SIDE), dtype=torch.float16)
        for k, sample in enumerate(samples):
            rows, columns = sample.picture.shape
            stack[k, :3, :rows, :columns] = torch.from_numpy(channels(sample.picture.astype(np.float32), sample.known))
            stack[k, 3 : 3 + len(sample.arcs), :rows, :columns] = torch.from_numpy(sample.arcs)
        self.stack = stack.to(device)
        self.sizes = np.array([s.picture.shape[::-1] for s in samples], dtype=float)
        self.double = torch.tensor([len(s.arcs) == 2 for s in samples], device=device)

    def batch(self) -> tuple[torch.Tensor, torch.Tensor]:
        which = self.rng.integers(0, len(self.sizes), BATCH)
        grid = nn.functional.affine_grid(
            torch.tensor(self._theta(which), dtype=torch.float32, device=self.device), [BATCH, 1, SIDE, SIDE], False
        )
        chosen = torch.from_numpy(which).to(self.device)
        view = nn.functional.grid_sample(self.stack[chosen].float(), grid, mode="bilinear", padding_mode="zeros", align_corners=False)
        return self._lit(view[:, :3]), _ordered(view[:, 3:] > 0.5, self.double[chosen])

    def _theta(self, which: np.ndarray) -> np.ndarray:
        """Maps from the view to the stored picture, (BATCH, 2, 3), both in [-1, 1]."""
        rng = self.rng
        size = self.sizes[which]
        scale = np.exp(rng.normal(-0.1, 0.22, BATCH)) * SIDE / LONGER_SIDE
        turn = np.deg2rad(rng.normal(0, 5, BATCH) * (rng.random(BATCH) < 0.5) + 90 * rng.integers(0, 4, BATCH))
        flip = np.where(rng.random(BATCH) < 0.5, 1.0, -1.0)
        stretch = np.exp(rng.normal(0, 0.12, BATCH))
        c, s = np.cos(turn), np.sin(turn)
        matrix = np.array([[c * flip * stretch, -s], [s * flip * stretch, c]]).transpose(2, 0, 1) * scale[:, None, None]
        shift = size / LONGER_SIDE - 1.0 + rng.uniform(-0.25, 0.25, (BATCH, 2)) * size / LONGER_SIDE
        return np.concatenate([matrix, shift[:, :, None]], axis=2)

    def _lit(self, view: torch.Tensor) -> torch.Tensor:
        rng = self.rng
        fields = torch.from_numpy(rng.normal(0, 1, (BATCH, 2, 4, 4)).astype(np.float32)).to(self.device)
        fields = nn.functional.interpolate(fields, (SIDE, SIDE), mode="bicubic")
        strength = np.stack([0.15 * rng.random(BATCH), 0.3 * rng.random(BATCH)], axis=1)
        grain = rng.choice([0.0, 0.05, 0.15], BATCH)
        gain = np.exp(rng.normal(0, 0.25, (BATCH, 2)))
        shift = np.stack([rng.normal(0, 0.1, BATCH), np.zeros(BATCH)], axis=1)
        strength_t, gain_t, shift_t = (
            torch.from_numpy(v.astype(np.float32)).to(self.device)[:, :, None, None] for v in (strength, gain, shift)
        )
        grain_t = torch.from_numpy(grain.astype(np.float32)).to(self.device)[:, None, None, None]
        both = view[:, :2] * gain_t + strength_t * fields + shift_t + grain_t * torch.randn_like(view[:, :2])
        soft = nn.functional.avg_pool2d(both, 5, 1, 2, count_include_pad=False)
        both = torch.where(torch.from_numpy(rng.random(BATCH) < 0.25).to(self.device)[:, None, None, None], soft, both)
        known = (view[:, 2:3] > 0.5).float()
        return torch.cat([both * known, known], dim=1)


def _ordered(mask: torch.Tensor, double: torch.Tensor) -> torch.Tensor:
    """One map per output. The first arc is the upper one, or the left one where the two lie side by side; one arc alone is a weld."""
    seen = mask.float()
    mass = seen.sum((2, 3))
    rows = torch.arange(SIDE, device=mask.device, dtype=torch.float32)
    y = (seen.sum(3) * rows).sum(2) / mass.clamp(min=1.0)
    x = (seen.sum(2) * rows).sum(2) / mass.clamp(min=1.0)
    down, right = y[:, 1] - y[:, 0], x[:, 1] - x[:, 0]
    swap = torch.where(down.abs() > right.abs(), down < 0, right < 0)[:, None, None]
    both = (double & (mass.min(dim=1).values > 0))[:, None, None]
    one, two = torch.where(swap, seen[:, 1], seen[:, 0]), torch.where(swap, seen[:, 0], seen[:, 1])
    return torch.stack([torch.where(both, 0.0, seen.amax(1)), one * both, two * both], dim=1)


def _loss(answer: torch.Tensor, wanted: torch.Tensor) -> torch.Tensor:
    target = nn.functional.avg_pool2d(wanted, 2)
    cross = nn.functional.binary_cross_entropy_with_logits(answer, target)
    p = torch.sigmoid(answer)
    overlap = (2 * (p * target).sum((0, 2, 3)) + 1) / ((p + target).sum((0, 2, 3)) + 1)
    return cross * 4 + (1 - overlap).mean()


def fit_weld(samples: list[WeldSample], minutes: float, seed: int, say: Any) -> Net:
    """Trains for a fixed time with a one-cycle learning rate; says at the end how well films left out are covered."""
    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    kept = int(len(samples) * (1 - LEFT_OUT))
    pictures = Pictures(samples[:kept], device, np.random.default_rng(seed))
    net = Net(3, WIDTHS, len(OUTPUTS)).to(device)
    optimiser = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    start, step = time.time(), 0
    while (share := (time.time() - start) / (60 * minutes)) < 1.0:
        rate = 3e-3 * (share / 0.08 if share < 0.08 else 0.5 * (1 + np.cos(np.pi * (share - 0.08) / 0.92))) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        seen, wanted = pictures.batch()
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            answer = net(seen)
        loss = _loss(answer.float(), wanted)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        if step % 300 == 0:
            say(f"step {step}, {time.time() - start:.0f} s, loss {float(loss.detach()):.4f}")
        step += 1
    _left_out(net.eval(), samples[kept:], device, say)
    return net


def _left_out(net: Net, samples: list[WeldSample], device: str, say: Any) -> None:
    shares = []
    for sample in samples:
        canvas = in_square(channels(sample.picture.astype(np.float32), sample.known))
        with torch.no_grad():
            told = torch.sigmoid(net(torch.from_numpy(canvas[None]).to(device)))[0].amax(0).cpu().numpy()
        likely = out_of_square(np.repeat(np.repeat(told, 2, axis=0), 2, axis=1)[None], sample.picture.shape)[0] > LIKELY
        true = sample.arcs.any(axis=0)
        shares.append((likely & true).sum() / max(1, (likely | true).sum()))
    say(f"{len(shares)} films left out: overlap median {np.median(shares):.3f}, below 0.5 {np.mean(np.array(shares) < 0.5):.3f}")


class _Answer(nn.Module):
    def __init__(self, net: Net) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.sigmoid(self.net(x))


def save_weld_onnx(net: Net, path: Path) -> None:
    """Writes the network as ONNX with free height and width."""
    path.parent.mkdir(parents=True, exist_ok=True)
    torch.onnx.export(
        _Answer(net).eval().cpu(),
        (torch.zeros((1, 3, 256, LONGER_SIDE)),),
        str(path),
        input_names=["seen"],
        output_names=["answer"],
        opset_version=17,
        dynamo=False,
        dynamic_axes={"seen": {2: "rows", 3: "columns"}, "answer": {2: "rows", 3: "columns"}},
    )
