"""How well a network alone tells flaws from the rest on strips that it did not learn from."""

from __future__ import annotations

import cv2
import numpy as np
import torch
from net_crops import whole
from samples import NetSample

from rtscan.reading.net import MULTIPLE, TONES

LEAST_DETECTABILITY = 3.0
FALSE_A_STRIP = (0.25, 0.5, 1.0)
NEAR_PX, PEAK_PX = 21, 31
"""A peak that lies at most half of the first from a flaw is not counted as false; one of the second size counts once."""
MOST_A_STRIP = 2
"""False peaks of a strip and tone that count: 26 and 20 on one strip once made two networks of equal worth look far apart."""


def found_at(net: torch.nn.Module, kept: list[NetSample]) -> dict[float, float]:
    """Share of the flaws found (detectability from 3) at so many false peaks a strip; the network's outputs are log-odds."""
    flaws: list[float] = []
    false: list[float] = []
    for sample in kept:
        for tone, answer in enumerate(_answers(net, sample)):
            for k, (of_tone, _, detectability, _) in enumerate(sample.table):
                mask = sample.flaw == k + 1
                if of_tone == tone and detectability >= LEAST_DETECTABILITY and mask.any():
                    flaws.append(float(answer[mask].max()))
            away = answer * (cv2.dilate((sample.flaw > 0).astype(np.uint8), np.ones((NEAR_PX, NEAR_PX), np.uint8)) == 0)
            peaks = (away == cv2.dilate(away, np.ones((PEAK_PX, PEAK_PX), np.uint8))) & (away > 0.02)
            false += sorted((float(v) for v in away[peaks]), reverse=True)[:MOST_A_STRIP]
    falling = np.sort(false)[::-1]
    bars = {n: falling[min(len(falling) - 1, int(n * len(kept)))] if len(falling) else 0.0 for n in FALSE_A_STRIP}
    return {n: float(np.mean(np.array(flaws) > bar)) for n, bar in bars.items()}


def _answers(net: torch.nn.Module, sample: NetSample) -> np.ndarray:
    """Probability of dark and bright on the grid, shape (2, across, along)."""
    rows, columns = sample.flaw.shape
    margin = ((0, 0), (0, -rows % MULTIPLE), (0, -columns % MULTIPLE))
    seen = np.pad(whole(sample), margin, mode="edge")
    device = next(net.parameters()).device
    with torch.no_grad():
        told = torch.sigmoid(net(torch.from_numpy(seen[None]).to(device))[0, : len(TONES)]).float().cpu().numpy()
    usable = sample.sound[3] >= 0
    return np.stack([cv2.resize(t, seen.shape[:0:-1])[:rows, :columns] * usable for t in told])
