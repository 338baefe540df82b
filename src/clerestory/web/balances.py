"""The white balance that a recipe asks for, and what an open view's frame shows under it, at once or nearly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clerestory.develop import white_balance as white
from clerestory.develop.colour import working_from_camera
from clerestory.develop.demosaic import turned
from clerestory.finish import source as light
from clerestory.finish import tone
from clerestory.finish.pipeline import Seen, glare_of, less_glare, mixed_light_of
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import Multipliers
from clerestory.web.motion import Motion

F32 = NDArray[np.float32]
SECOND_LIGHT, OFFERED = 0.5, 0.5
"""Stops of red or blue between the coolest and the warmest lit parts of a frame from which taking a second light's
colour out is offered, and the share then. Common practice, no source: a lamp of 3000 K beside daylight is about 1.5.
"""


@dataclass(frozen=True)
class Balance:
    """The light a preview is balanced for: white balance, the share of mixed light's other colour taken out, and the
    veiling glare, in percent, that is; None for what the picture tells of."""

    multipliers: Multipliers
    mixed: float = 0.0
    glare: float | None = None


@dataclass
class Balances:
    """Of one open view: what was seen of it at first, and the half-size camera RGB (`camera_half`, H x W x 3)."""

    seen: Seen
    camera_half: F32
    _found: tuple[Balance, Seen] | None = None
    _mixed: tuple[Multipliers, F32 | None] | None = None

    def of(self, recipe: Recipe) -> Balance:
        """What a recipe asks for."""
        mosaic = self.seen.source.mosaic
        if mosaic is None:
            return self.own if self.seen.glare is None else replace(self.own, glare=recipe.veiling_glare)
        mixed, glare = recipe.mixed_light or 0.0, recipe.veiling_glare
        if recipe.colour_temperature is None or mosaic.colours is None:
            return Balance(self.seen.multipliers, mixed, glare)
        wanted = (recipe.colour_temperature, recipe.green_magenta or 0.0)
        return Balance(white.multipliers_for(*wanted, mosaic.colours), mixed, glare)

    @property
    def own(self) -> Balance:
        """What the tool chose."""
        return Balance(self.seen.multipliers)

    def seen_under(self, wanted: Balance) -> Seen:
        """What is seen under a balance."""
        if wanted == self.own:
            return self.seen
        if self._found is None or self._found[0] != wanted:
            source, multipliers = self.seen.source, wanted.multipliers
            mixed = mixed_light_of(source, self.camera_half, multipliers, wanted.mixed)
            half = light.balanced_half(self.camera_half.copy(), source, multipliers, mixed)
            glare = glare_of(source, half, wanted.glare)
            less_glare(half, source, glare)
            noise = light.shown_noise(source, multipliers)
            settings = tone.judge(half, noise, light.is_monochrome(source))
            fresh = replace(
                self.seen, half=half, multipliers=multipliers, noise=noise, settings=settings, glare=glare
            )
            self._found = (wanted, fresh)
        return self._found[1]

    def without_mixed(
        self, motion: Motion, multipliers: Multipliers, share: float, shift: F32 | None = None
    ) -> Motion:
        """The whole frame, a share of mixed light's other colour taken out; `shift`: 3 x 3, as of `recolouring`."""
        mosaic, found = self.seen.source.mosaic, self._mixed_logs(multipliers)
        if mosaic is None or found is None:
            return motion
        matrix = working_from_camera(mosaic.colours, multipliers).astype(np.float32)
        upright = turned(found, self.seen.source.info.orientation)
        return motion.relit(upright * np.float32(share), matrix, shift)

    def is_found(self, wanted: Balance) -> bool:
        """Whether what is seen under a balance is at hand."""
        return wanted == self.own or (self._found is not None and self._found[0] == wanted)

    def _mixed_logs(self, multipliers: Multipliers) -> F32 | None:
        """Logarithms by which mixed light's other colour is taken out, as recorded; None where it is not known."""
        if self._mixed is None or self._mixed[0] != multipliers:
            found = mixed_light_of(self.seen.source, self.camera_half, multipliers, 1.0)
            self._mixed = (multipliers, None if found is None else np.log(found))
        return self._mixed[1]

    def haze_between(self, old: Balance, new: Balance, shape: tuple[int, ...]) -> F32 | None:
        """Light by which the veiling glare taken out of the whole frame (of a shape: rows, columns, 3) differs
        between two balances; None where it does not."""
        told = self.seen.glare
        if told is None or old.glare == new.glare:
            return None
        before, after = (told.share if b.glare is None else b.glare / 100 for b in (old, new))
        return replace(told, share=after - before).haze(shape)

    def recolouring(self, old: Multipliers, new: Multipliers) -> F32:
        """Another white balance as a matrix over working pixels: exact but where the raw was clipped."""
        mosaic = self.seen.source.mosaic
        if mosaic is None:
            return np.eye(3, dtype=np.float32)
        gains = (np.array(new) / min(new)) / (np.array(old) / min(old))
        before, after = (working_from_camera(mosaic.colours, m) for m in (old, new))
        out: F32 = (after @ np.diag(gains) @ np.linalg.inv(before)).astype(np.float32)
        return out

    @cached_property
    def own_white(self) -> list[float] | None:
        """Kelvin and green-magenta of the balance that the frame has or the tool chose; None where not known."""
        mosaic = self.seen.source.mosaic
        if mosaic is None or mosaic.colours is None:
            return None
        kelvin, green_magenta = white.kelvin_green_magenta_of(self.seen.multipliers, mosaic.colours)
        return [round(kelvin / 10) * 10, round(green_magenta, 1)]

    @cached_property
    def mixed_offer(self) -> float | None:
        """Share of a second light's colour that taking out is worth offering; None where there is no second light."""
        found = self._mixed_logs(self.seen.multipliers)
        if found is None:
            return None
        low, high = np.percentile(found[..., ::2] / math.log(2), (5, 95), axis=(0, 1))
        return OFFERED if float((high - low).max()) > SECOND_LIGHT else None
