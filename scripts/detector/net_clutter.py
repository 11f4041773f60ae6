"""What is laid over the training crops so that the network leans on no habit of the simulator: soft unevenness of the bead, another
grain, another size. Everything is drawn anew for every crop, on the GPU."""

from __future__ import annotations

import numpy as np
import torch
from torch.nn import functional

CLIP = 60.0
"""Residuals over noise are cut there before the network sees them (`rtscan.reading.net.channels`)."""
SOFT_PX = (6, 12, 24, 48)
"""Sizes of the soft unevenness: 0.6 to 4.8 mm."""
SOFT_MOST = 1.1
"""Its largest spread in units of the noise. Sound stretches of real beads, smoothed over 1.2 mm, spread 0.57; simulated ones 0.46."""
SOFT_SHARE = 0.65
GRAIN_MOST, ZOOM_MOST = 0.35, 1.25
"""Most grain added, in units of the noise, and largest change of size; chosen once, not tuned."""


def uneven(seen: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Soft unevenness of bead and toes, and some grain, added to the residual; shape (crops, channels, across, along)."""
    crops, _, rows, columns = seen.shape
    device = seen.device
    size = SOFT_PX[int(rng.integers(len(SOFT_PX)))]
    stretch = float(np.exp(rng.uniform(-0.7, 0.7)))
    coarse = torch.randn((crops, 1, max(4, round(rows * stretch / size)), max(4, round(columns / stretch / size))), device=device)
    soft = functional.interpolate(coarse, (rows, columns), mode="bicubic", align_corners=False)[:, 0]
    amount = rng.uniform(0.0, SOFT_MOST, crops) * (rng.random(crops) < SOFT_SHARE)
    grain = rng.uniform(0.0, GRAIN_MOST, crops) * (rng.random(crops) < 0.5)
    bead = torch.sigmoid((1.05 - seen[:, 2].abs()) * 12.0)
    residual = torch.sinh(seen[:, 0]) + soft * bead * _each(amount, device) * 1.4
    residual = (residual + torch.randn_like(residual) * _each(grain, device)) / _each(np.sqrt(1 + grain**2), device)
    out = seen.clone()
    out[:, 0] = torch.asinh(residual.clamp(-CLIP, CLIP))
    return out


def zoomed(seen: torch.Tensor, flaw: torch.Tensor, rng: np.random.Generator) -> tuple[torch.Tensor, torch.Tensor]:
    """Half of the crops drawn larger or smaller about their middle; flaw: index of the flaw at each place."""
    crops = len(seen)
    factor = np.exp(rng.uniform(-np.log(ZOOM_MOST), np.log(ZOOM_MOST), crops))
    factor[rng.random(crops) < 0.5] = 1.0
    turn = torch.zeros((crops, 2, 3), device=seen.device)
    turn[:, 0, 0] = turn[:, 1, 1] = torch.from_numpy(1.0 / factor).to(seen.device)
    grid = functional.affine_grid(turn, list(seen.shape), align_corners=False)
    larger = functional.grid_sample(seen, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    index = functional.grid_sample(flaw[:, None].float(), grid, mode="nearest", padding_mode="reflection", align_corners=False)
    return larger, index[:, 0].round().to(torch.int16)


def _each(values: np.ndarray, device: torch.device) -> torch.Tensor:
    return torch.from_numpy(values.astype(np.float32)).to(device)[:, None, None]
