"""Sensor noise by EMVA 1288: variance = gain x signal + read^2, in raw units, per channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class NoiseModel:
    """Noise of one camera at one ISO. Channels are R, G1, G2, B.

    `gain`: raw units per electron (the slope of variance over signal); `read`: raw units, standard deviation at
    black, as the file has it (rounding to whole units included). Signal is in raw units above black.
    """

    gain: tuple[float, float, float, float]
    read: tuple[float, float, float, float]

    def variance(self, signal: NDArray[np.floating], channel: int) -> NDArray[np.float64]:
        """Variance (...), raw units squared, at a signal (...), raw units above black (EMVA 1288).

        `channel`: 0 to 3 for R, G1, G2, B. A signal below black has the variance of black.
        """
        s = np.maximum(np.asarray(signal, float), 0)
        out: NDArray[np.float64] = self.gain[channel] * s + self.read[channel] ** 2
        return out

    def scaled(self, factor: float) -> NoiseModel:
        """The model after the signal is multiplied by `factor`."""
        return NoiseModel(
            tuple(g * factor for g in self.gain),  # type: ignore[arg-type]
            tuple(r * factor for r in self.read),  # type: ignore[arg-type]
        )

    def averaged(self, n: float) -> NoiseModel:
        """The model of the mean of `n` frames."""
        return NoiseModel(
            tuple(g / n for g in self.gain),  # type: ignore[arg-type]
            tuple(r / n**0.5 for r in self.read),
        )


def model_channel(cfa_number: int) -> int:
    """Place in a NoiseModel (R, G1, G2, B) of a colour-filter number of a mosaic (0 R, 1 G, 2 B, 3 G beside blue)."""
    return (0, 1, 3, 2)[cfa_number]
