"""How a frame was exposed: how far that lies from the most that keeps its lights, and how deep its shade is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.raw.clipping import FULL
from clerestory.raw.read import Mosaic

ACCEPTABLE = 10.0  # signal to noise of an acceptable picture (ISO 12232, noise-based speed)
MOST_GUESSED = 4.0  # stops above saturation beyond which clipped light is not reckoned


@dataclass(frozen=True)
class Headroom:
    """How a frame was exposed, found afterwards.

    `stops`: how much more exposure it could have had before more than `spare` of it (the glass) was lost in some
    channel; negative where it had too much, and then `guessed`, since what is clipped cannot be measured.
    `stone_snr`: signal to noise of one green pixel of middling stone as taken, `stone_snr_then` with `stops` more.
    `usable`: stops from saturation down to a signal to noise of 10 at this ISO; `needed`: stops from the frame's
    brightest glass to its deepest shade (2 % darkest).
    """

    stops: float
    guessed: bool
    stone_snr: float
    stone_snr_then: float
    usable: float
    needed: float

    @property
    def message(self) -> str:
        """One sentence for the photographer."""
        if self.stops >= 0.15:
            gain = self.stone_snr_then / max(self.stone_snr, 1e-6)
            return (
                f"{self.stops:.1f} stops more would have kept the glass and made the stone's signal to noise "
                f"{gain:.1f} times better ({self.stone_snr:.2g} to {self.stone_snr_then:.2g})."
            )
        if self.stops <= -0.15:
            most = self.guessed and -self.stops > 0.98 * MOST_GUESSED
            about = "at least " if most else "about " if self.guessed else ""
            return (
                f"{about}{-self.stops:.{0 if most else 1}f} stops less would have kept the glass; "
                f"the stone's signal to noise would have been {self.stone_snr_then:.2g} instead of "
                f"{self.stone_snr:.2g}."
            )
        return f"the glass is just kept; the stone's signal to noise is {self.stone_snr:.2g}."


def _snr(share: float, span: float, noise: NoiseModel) -> float:
    signal = share * span
    return signal / math.sqrt(max(noise.gain[1] * signal + noise.read[1] ** 2, 1e-9))


def usable_stops(span: float, noise: NoiseModel, snr: float = ACCEPTABLE) -> float:
    """Stops from saturation down to the green signal whose signal to noise is `snr`: S^2 = snr^2 (g S + r^2)."""
    g, r2, k = noise.gain[1], noise.read[1] ** 2, snr**2
    signal = (k * g + math.sqrt((k * g) ** 2 + 4 * k * r2)) / 2
    return math.log2(span / signal)


@dataclass(frozen=True)
class SceneShares:
    """A frame's light as shares of saturation, before clipping. `stone`: middling stone, green; `glass`: all but
    `spare` of the frame; `deep`: its darkest 2 %; `guessed`: whether the glass is clipped and reckoned from what is
    not."""

    stone: float
    glass: float
    deep: float
    guessed: bool


def scene_shares(mosaic: Mosaic, spare: float = 0.001) -> SceneShares:
    """Stone and glass of a frame as the sensor saw them. `spare`: share of it that is not counted (lamps, glints)."""
    height, width = mosaic.raw.shape[0] // 2, mosaic.raw.shape[1] // 2
    step = max(1, round(math.sqrt(height * width / 400_000)))
    top = np.zeros((len(range(0, height, step)), len(range(0, width, step))), np.float32)
    green = np.zeros_like(top)
    for row in range(2):
        for column in range(2):
            n = int(mosaic.cfa[row, column])
            span = float(mosaic.white[n] - mosaic.black[n])
            plane = mosaic.plane(row, column)[:height, :width][::step, ::step]
            share = (plane.astype(np.float32) - np.float32(mosaic.black[n])) / np.float32(span)
            np.maximum(top, share, out=top)
            if model_channel(n) == 1:
                green = share
    lost = float((top >= FULL).mean())
    if guessed := lost > spare:
        # What is clipped is taken to thin out as it does over the last stop below (a power law).
        steep = max(math.log2(max(float((top >= FULL / 2).mean()) / lost, 1.0)), 0.25)
        glass = FULL * 2.0 ** min(math.log2(lost / spare) / steep, MOST_GUESSED)
    else:
        glass = max(float(np.quantile(top, 1 - spare)), 1e-4)
    stone = float(np.median(green[green < max(16 * float(np.quantile(green, 0.25)), 0.02)]))
    return SceneShares(max(stone, 1e-5), glass, float(np.quantile(green, 0.02)), guessed)


def exposure_headroom(mosaic: Mosaic, noise: NoiseModel, spare: float = 0.001) -> Headroom:
    """How many stops this frame could have had without losing the glass, and what that would have done to the stone.

    `spare`: share of the frame that may be lost (lamps, glints).
    """
    seen = scene_shares(mosaic, spare)
    stops = math.log2(FULL / seen.glass)
    span = float(mosaic.white[1] - mosaic.black[1])
    needed = math.log2(max(seen.glass / max(seen.deep, noise.read[1] / span), 1.0))
    then = _snr(seen.stone * 2.0**stops, span, noise)
    return Headroom(stops, seen.guessed, _snr(seen.stone, span, noise), then, usable_stops(span, noise), needed)
