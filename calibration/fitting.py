"""What the fits of networks have in common; needs PyTorch."""

from __future__ import annotations

import time
from typing import Any

import torch
import torch.nn.functional as F
from torch import nn
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn


class Block(nn.Sequential):
    """A convolution, normalised and rectified."""

    def __init__(self, i: int, o: int, stride: int = 1, kernel: int = 3) -> None:
        super().__init__(nn.Conv2d(i, o, kernel, stride, kernel // 3, bias=False), nn.BatchNorm2d(o), nn.ReLU())


def twice(t: torch.Tensor) -> torch.Tensor:
    return F.interpolate(t, scale_factor=2, mode="nearest")


class Descent:
    """Steps down the loss at a rate that rises and falls; what is used is the running mean of the weights."""

    def __init__(self, network: nn.Module, steps: int, *, rate: float, decay: float, memory: float) -> None:
        self.network, self.steps, self.done = network, steps, 0
        self.mean = AveragedModel(network, multi_avg_fn=get_ema_multi_avg_fn(memory), use_buffers=True)
        self.best = torch.optim.AdamW(network.parameters(), weight_decay=decay)
        self.rate = torch.optim.lr_scheduler.OneCycleLR(self.best, rate, steps, pct_start=0.1)
        self.told, self.running = time.monotonic(), 0.0

    def step(self, loss: torch.Tensor) -> None:
        self.best.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 1.0)
        self.best.step()
        self.rate.step()
        self.mean.update_parameters(self.network)
        self.running = 0.98 * self.running + 0.02 * loss.item() if self.done else loss.item()
        self.done += 1
        if self.done % 100 == 0:
            spent = time.monotonic() - self.told
            print(f"step {self.done} of {self.steps}: loss {self.running:.4f}, {spent:.0f} s", flush=True)

    def fitted(self) -> Any:
        """The network of the mean weights."""
        return self.mean.module.eval()
