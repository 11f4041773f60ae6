"""Fits the network on a GPU (PyTorch) and writes it as ONNX. Only simulated films go in."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from net_crops import Crops
from samples import NetSample
from torch import nn
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from rtscan.reading.net import INPUTS, KINDS, OUTPUTS

WIDTHS = (32, 48, 80, 128, 192)
"""Five levels, the deepest one pixel per 3.2 mm."""
LEAST_DETECTABILITY = 3.0
RATE = 3e-3
KEPT, AVERAGED_EVERY = 0.999, 10
"""Share of the averaged weights that a step leaves as they are; every how many steps they are moved."""
FIRST_FILMS = 60
Say = Callable[[str], None]


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


class Learner:
    """The network with its optimiser. On a GPU a step is recorded once and replayed: most of it is waiting for small kernels to start."""

    def __init__(self, device: str, first: tuple[torch.Tensor, torch.Tensor, torch.Tensor]) -> None:
        self.device = device
        self.net = Net(INPUTS, WIDTHS, len(OUTPUTS)).to(device, memory_format=torch.channels_last)
        self.averaged = AveragedModel(self.net, multi_avg_fn=get_ema_multi_avg_fn(KEPT**AVERAGED_EVERY), use_buffers=True)
        on_gpu = device == "cuda"
        self.rate = torch.tensor(RATE, device=device)
        self.optimiser = torch.optim.AdamW(self.net.parameters(), lr=self.rate, weight_decay=1e-4, capturable=on_gpu)
        self.batch = (first[0].contiguous(memory_format=torch.channels_last), *first[1:])
        self.steps = 0
        self.recorded = self._record() if on_gpu else None

    def _record(self) -> tuple[Any, torch.Tensor]:
        aside = torch.cuda.Stream()
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for _ in range(3):
                self._step()
        torch.cuda.current_stream().wait_stream(aside)
        self.optimiser.zero_grad(set_to_none=True)
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph):
            loss = self._step(fresh=True)
        return graph, loss

    def _step(self, fresh: bool = False) -> torch.Tensor:
        """fresh: the gradients are empty already."""
        seen, flaw, table = self.batch
        if not fresh:
            self.optimiser.zero_grad(set_to_none=True)
        with torch.autocast(self.device, dtype=torch.bfloat16, enabled=self.device == "cuda", cache_enabled=False):
            answer = self.net(seen)
        loss = loss_of(answer.float(), flaw, table)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.optimiser.step()
        return loss.detach()

    def learn(self, batch: tuple[torch.Tensor, torch.Tensor, torch.Tensor], rate: float) -> torch.Tensor:
        """One step; the loss, still on the device."""
        self.rate.fill_(rate)
        for own, new in zip(self.batch, batch, strict=True):
            own.copy_(new)
        if self.recorded:
            graph, loss = self.recorded
            graph.replay()
        else:
            loss = self._step()
        self.steps += 1
        if self.steps % AVERAGED_EVERY == 0:
            self.averaged.update_parameters(self.net)
        return loss


def fit(films: queue.Queue[list[NetSample]], minutes: float, seed: int, say: Say, keep: Callable[[Net], None] | None = None) -> Net:
    """Trains for a fixed time with a one-cycle learning rate while the films come in, from the first `FIRST_FILMS` of them on.

    keep: is given the averaged network every two minutes. Returns the weights averaged over the last steps.
    """
    torch.manual_seed(seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    crops = Crops(device, np.random.default_rng(seed))
    for _ in range(FIRST_FILMS):
        _take(films.get(), crops)
    learner = Learner(device, crops.batch())
    start, kept, shown = time.time(), 0.0, 0.0
    while (passed := time.time() - start) < 60 * minutes:
        share = passed / (60 * minutes)
        rate = RATE * (share / 0.05 if share < 0.05 else 0.5 * (1 + np.cos(np.pi * (share - 0.05) / 0.95))) + 1e-6
        loss = learner.learn(crops.batch(), rate)
        while learner.steps % 10 == 0 and not films.empty():
            _take(films.get(), crops)
        if learner.steps % 20 == 0:
            shown = 0.98 * (shown or float(loss)) + 0.02 * float(loss)
        if learner.steps % 2000 == 0:
            say(f"step {learner.steps}, {passed:.0f} s, {len(crops.strips)} strips, loss {shown:.4f}")
        if keep is not None and passed - kept > 120:
            kept = passed
            keep(learner.averaged.module)
    say(f"{learner.steps} steps, {len(crops.strips)} strips, loss {shown:.4f}")
    averaged: Net = learner.averaged.module
    return averaged


def _take(film: list[NetSample], crops: Crops) -> None:
    for sample in film:
        crops.add(sample)


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
