"""The network of bench/train.py as a PyTorch module: scales of plain residual blocks, and a linear way past them.

Between its first and its last convolution all can be done as the packaged network does it: whole numbers of eight
bits times whole weights, each tensor rounded on steps of its own reach, each channel's weights on steps of theirs
(Jacob et al. 2018, "Quantization and training of neural networks for efficient integer-arithmetic-only inference");
gradients pass the rounding as if it were not there.
"""

from __future__ import annotations

import itertools
from typing import Any

import torch
from torch import nn

from rounding import LARGEST, LEAST, MOST_WEIGHT

Pair = tuple[torch.Tensor, Any]  # whole numbers and their step, or values and 1


def rounded(x: torch.Tensor) -> torch.Tensor:
    """Whole numbers; for the gradient, what was given."""
    return x + (x.round() - x).detach()


class Held(nn.Module):
    """A tensor as it is held between convolutions. `low`: 0 where what is below is cut off, or -128.

    `rounding`: whether it is rounded. `seen`: where not None, how far values reach is noted there at every call.
    """

    def __init__(self, low: int) -> None:
        super().__init__()
        self.low, self.rounding = low, False
        self.seen: list[torch.Tensor] | None = None
        self.register_buffer("reach", torch.ones(()))

    def forward(self, x: torch.Tensor) -> Pair:
        if self.low == 0:
            x = torch.relu(x)
        if self.seen is not None:
            self.seen.append(x.detach().abs().amax().float())
        if not self.rounding:
            return x, 1.0
        step = self.reach / LARGEST[self.low]
        return rounded((x / step).clamp(self.low, 255 + self.low)), step


class Conv(nn.Conv2d):
    """A convolution of a tensor that is held."""

    def __init__(self, inside: int, outside: int, side: int, stride: int = 1) -> None:
        super().__init__(inside, outside, side, stride, padding=int(side == 3))

    def of(self, x: Pair) -> torch.Tensor:
        values, step = x
        if not isinstance(step, torch.Tensor):
            return self(values)
        size = self.weight.detach().abs().amax((1, 2, 3)).clamp_min(LEAST) / MOST_WEIGHT
        whole = rounded(self.weight / size[:, None, None, None])
        out = nn.functional.conv2d(values, whole, None, self.stride, self.padding).float()
        return out * (step * size)[:, None, None] + self.bias[:, None, None]


class Block(nn.Module):
    """A residual block: what two convolutions add."""

    def __init__(self, c: int) -> None:
        super().__init__()
        self.first, self.second = Conv(c, c, 3), Conv(c, c, 3)
        nn.init.zeros_(self.second.bias)
        self.second.weight.data *= 0.1
        self.within, self.more, self.sum = Held(0), Held(-128), Held(-128)

    def forward(self, x: Pair) -> Pair:
        more = self.more(self.second.of(self.within(self.first.of(x))))
        return self.sum(x[0] * x[1] + more[0] * more[1])


class Network(nn.Module):
    """At first it says what the default says: the way past is the identity on that, and the rest says nothing."""

    def __init__(self, inputs: int, channels: tuple[int, ...], blocks: tuple[int, ...]) -> None:
        super().__init__()
        self.past = nn.Conv2d(inputs, 12, 3, padding=1)
        self.head, self.held = nn.Conv2d(inputs, channels[0], 3, padding=1), Held(0)
        steps = list(itertools.pairwise(channels))
        self.down = nn.ModuleList(Conv(a, b, 2, 2) for a, b in steps)
        self.up = nn.ModuleList(Conv(b, 4 * a, 1) for a, b in steps)
        self.lower, self.upper, self.sum = (nn.ModuleList(Held(-128) for _ in steps) for _ in range(3))
        scales = list(zip(channels, blocks, strict=True))
        self.before, self.after = (
            nn.ModuleList(nn.Sequential(*(Block(c) for _ in range(n))) for c, n in some)
            for some in (scales, scales[:-1])
        )
        self.tail = nn.Conv2d(channels[0], 12, 3, padding=1)
        for module in (self.past, self.tail):
            nn.init.zeros_(module.weight)
            nn.init.zeros_(module.bias)
        for k in range(12):
            self.past.weight.data[k, 4 + k, 1, 1] = 1

    def forward(self, given: torch.Tensor) -> torch.Tensor:
        """Light, N x 3 x 2h x 2w, on the root scale, from N x inputs x h x w."""
        x = self.held(self.head(given))
        kept = []
        for k, part in enumerate(self.before):
            x = part(x)
            if k < len(self.down):
                kept.append(x)
                x = self.lower[k](self.down[k].of(x))
        for k in reversed(range(len(self.up))):
            values, step = self.upper[k](self.up[k].of(x))
            values = nn.functional.pixel_shuffle(values, 2) * step
            x = self.after[k](self.sum[k](values + kept[k][0] * kept[k][1]))
        said = nn.functional.conv2d(x[0], self.tail.weight, None, padding=1) * x[1]
        with torch.autocast(given.device.type, enabled=False):
            past = self.past(given.float())
        return nn.functional.pixel_shuffle(said + self.tail.bias[:, None, None] + past, 2)


def each_held(net: nn.Module) -> list[Held]:
    """The places of a network at which tensors are rounded."""
    return [module for module in net.modules() if isinstance(module, Held)]
