"""A network that begins with the weights of one that was exported before. Needs PyTorch."""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn

from matcher.lab.training.packed_weights import tables


def begin_from(network: nn.Module, path: Path) -> None:
    """Give it the weights of an exported one, packed or not. There convolutions have their norms in them: so these stay
    as they are from now on (`hold_norms`), and only move what they are given."""
    values = {name: torch.from_numpy(one) for name, one in tables(path).items()}
    named = dict(network.named_parameters())
    joined = iter([value for name, value in values.items() if name not in named])
    with torch.no_grad():
        for name, value in values.items():
            if name in named:
                named[name].copy_(value)
        for part in network.modules():
            if isinstance(part, nn.Conv2d) and part.bias is None:
                part.weight.copy_(next(joined))
            elif isinstance(part, nn.BatchNorm2d):
                _begin_norm(part, next(joined))
    hold_norms(network)


def _begin_norm(norm: nn.BatchNorm2d, bias: torch.Tensor) -> None:
    """One that only adds what was left of it in the convolution before."""
    if norm.running_mean is None or norm.running_var is None:
        raise ValueError("a norm without running means cannot be held")
    norm.running_mean.zero_()
    norm.running_var.fill_(1 - norm.eps)
    norm.weight.fill_(1.0)
    norm.bias.copy_(bias)


def hold_norms(network: nn.Module) -> None:
    """Train all but the running means of its norms."""
    network.train()
    for part in network.modules():
        if isinstance(part, nn.BatchNorm2d):
            part.eval()
