"""One view held open: its half-size picture in memory, and previews of it as fast as a hand moves a control."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.crop import FINENESS, Crop, straightened_outline
from clerestory.camera.lens import Distortion
from clerestory.camera.rectification import Rectification
from clerestory.develop.colour import LUMINANCE, encode
from clerestory.develop.demosaic import turned
from clerestory.finish import source as light
from clerestory.finish import tone
from clerestory.finish.pipeline import (
    Seen,
    asked,
    before,
    crop_of,
    hazy,
    look,
    luma_of,
    mended,
    mends,
    rectification_of,
)  # fmt: skip
from clerestory.finish.prepare import prepare
from clerestory.finish.recipe import Recipe, Touch
from clerestory.finish.resample import source_positions
from clerestory.finish.take_out import TakenOut
from clerestory.finish.touch import evening, lights, mask_on, stops_map
from clerestory.raw.clipping import FULL
from clerestory.raw.group import View
from clerestory.run.progress import BrokenOff
from clerestory.vertical import segments as lines
from clerestory.vertical.drawn import at_odds, line_errors, with_lines
from clerestory.vertical.result import Vertical
from clerestory.web import pointer
from clerestory.web.balances import Balance, Balances
from clerestory.web.laid import Laid, Placed, by_stops, lie, resampled, size_of, warped
from clerestory.web.motion import Motion

F32 = NDArray[np.float32]
QUALITY, QUALITY_MOVING = 85, 80  # of preview JPEGs
SPARE = 1.12  # fineness of the picture that previews are taken from, as a share of the preview's
BINS = 64  # of the spread of light
RAW_STOPS = 12  # below clipping that it shows of the raw
AROUND = 0.35  # of the largest room's width and height, shown about it where a crop is drawn
BEYOND = (28, 29, 32)  # R, G, B of what lies beyond the straightened frame
EDGES_SAY = ("The building's own edges, accurate to ±{:.2f}°, say {:.1f}° otherwise than these lines. Look whether "
             "each lies on what is truly upright or level.")  # fmt: skip
MASKS = 12  # of places lighter or darker that are kept, some 8 MB each
SIZES = 3  # of pictures in motion that are kept prepared, some 25 MB each: another aspect is another size
COARSER = 2.0  # times as coarse may be what is warped from one of them: one in motion is not looked at so closely


@dataclass(frozen=True)
class Flat:
    """The whole frame as recorded, toned: B, G, R of sRGB, uint8. While the geometry moves only this is warped."""

    pixels: NDArray[np.uint8]
    glass_and_stone: dict[str, float]


@dataclass(frozen=True)
class Shown:
    """A preview as JPEG, and everything the page says about it."""

    jpeg: bytes
    facts: dict[str, Any]


@dataclass
class OpenView:
    """A view in memory. Not safe for two threads at once: hold `lock`."""

    view: View
    seen: Seen
    camera_half: F32
    merged: bool = True
    lock: threading.Lock = field(default_factory=threading.Lock)
    _vertical: tuple[object, Vertical] | None = None
    _edges: list[list[float]] | None = None
    _placed: Placed | None = None
    _laid: Laid | None = None
    _mended: dict[tuple[Balance, tuple[Touch, ...]], tuple[F32, tuple[TakenOut, ...]]] = field(default_factory=dict)
    _small: dict[object, F32] = field(default_factory=dict)
    _whole: tuple[F32, dict[float, Motion]] | None = None
    _flats: dict[tuple[tuple[object, ...], int], Flat] = field(default_factory=dict)
    _toned: tuple[F32, F32] | None = None
    _warp: tuple[tuple[Placed, tuple[int, ...]], Any] | None = None

    @cached_property
    def balances(self) -> Balances:
        """White balances of it."""
        return Balances(self.seen, self.camera_half)

    @classmethod
    def of(cls, view: View, on_stage: Callable[[str], None], source: light.Source | None = None) -> OpenView:
        """Look at a view, from the light of all its frames where that is given, else of its pick alone: seconds."""
        prepare(lambda what, *_: on_stage(what))
        on_stage("reading")
        merged = source is not None or len(view.frames) == 1
        alone = source if source is not None else light.read_source(view.pick)
        light_of_it = replace(alone, view_frames=tuple(view.frames))
        seen = look(light_of_it, Recipe(), on_stage)
        return cls(view, seen, light.half_size(light_of_it), merged)

    # ---- geometry

    def vertical(self, recipe: Recipe) -> Vertical:
        """The vertical, by the recipe's lines where there are two or more."""
        drawn = recipe.lines_kept
        if len(drawn) < 2:
            return self.seen.vertical
        if self._vertical is None or self._vertical[0] != drawn:
            found = with_lines(self.seen.vertical, drawn, self._half_grid())
            self._vertical = (drawn, found)
        return self._vertical[1]

    def _half_grid(self) -> Camera:
        height, width = self.seen.half.shape[:2]
        return self.seen.camera.scaled(0.5).on_grid(width, height)

    def edges(self) -> list[list[float]]:
        """Straight edges found in the frame, longest first: x and y of both ends, as shares of its width and height.

        None in a joined view: its frames were straightened together.
        """
        if self._edges is None and self.seen.source.stitched is not None:
            self._edges = []
        if self._edges is None:
            grid = self._half_grid()
            found = lines.find_segments(luma_of(self.seen.half), grid)
            ends = grid.recorded(found.ends[np.argsort(-found.length)])
            shares = (ends + 0.5) / [grid.width, grid.height]
            self._edges = np.round(shares.reshape(-1, 4), 5).tolist()
        return self._edges

    def _placing(self, seen: Seen, recipe: Recipe, width: int, exact: bool = True) -> Placed:
        key = (
            width,
            seen.vertical.up,
            recipe.plumb,
            recipe.swing,
            recipe.aspect,
            recipe.crop,
            recipe.crop_size,
            bool(recipe.lines_kept),
        )
        if self._placed is None or self._placed.key != key or (exact and not self._placed.exact):
            rectification = rectification_of(seen, recipe)
            crop = crop_of(seen, rectification, recipe.aspect, recipe, FINENESS if exact else 1.0)
            self._placed = Placed(key, width, rectification, crop, size_of(crop, width), exact)
        return self._placed

    def _half_mended(self, seen: Seen, balance: Balance, recipe: Recipe) -> tuple[F32, tuple[TakenOut, ...]]:
        """The half-size picture, marks taken out and walls evened; and what came of the marks."""
        wanted = mends(recipe)
        if not wanted:
            return seen.half, ()
        found = self._mended.get((balance, wanted))
        if found is None:
            found = mended(seen, seen.half.copy(), recipe, half=True)
            while len(self._mended) > 1:  # at rest and in motion
                self._mended.pop(next(iter(self._mended)))
            self._mended[balance, wanted] = found
        return found

    def _reduced(self, seen: Seen, balance: Balance, width: int, recipe: Recipe | None = None) -> F32:
        """The half-size picture averaged down to a little more than the preview's fineness, once; mended as a recipe
        asks."""
        asks = Recipe() if recipe is None else recipe
        key = (width, balance, mends(asks))
        held = self._small.get(key)
        if held is None:
            half, _ = self._half_mended(seen, balance, asks)
            height, across = half.shape[:2]
            factor = min(1.0, SPARE * width / max(height, across))
            held = cv2.resize(half, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            while len(self._small) > 1:  # mended, and as it was
                self._small.pop(next(iter(self._small)))
            self._small[key] = held
        return held

    def _evening(self, laid: Laid, seen: Seen, recipe: Recipe) -> F32 | None:
        """Stops by which a preview's colours lie off where walls are evened by other shares than it was laid with."""
        out = None
        for was, now in zip(laid.mends, mends(recipe), strict=True):
            by = _share(now) - _share(was)
            if by == 0:
                continue
            found = self._wall(laid, seen, was)
            out = found * np.float32(by) if out is None else cv2.scaleAdd(found, by, out)
        return out

    def _wall(self, laid: Laid, seen: Seen, touch: Touch) -> F32:
        """Stops by which evening out a wall wholly changes each place's colours."""
        shape = touch.model_copy(update={"share": None})
        found = laid.masks.get(shape)
        if found is None:
            small = self._reduced(seen, laid.balance, laid.placed.width)
            laid.masks[shape] = found = warped(evening(small, touch), seen, laid.placed)
        return found

    def _stops(self, laid: Laid, seen: Seen, recipe: Recipe) -> F32 | None:
        """Stops by which the recipe's touches make each place of a preview lighter, None where there are none."""
        out = None
        for touch in lights(recipe.touches):
            shape = touch.model_copy(update={"stops": None})
            mask = laid.masks.get(shape)
            if mask is None:
                mask = warped(mask_on(laid.small, touch), seen, laid.placed)
                while len(laid.masks) >= MASKS:
                    laid.masks.pop(next(iter(laid.masks)))
                laid.masks[shape] = mask
            stops = np.float32(touch.stops or 0.0)
            out = mask * stops if out is None else cv2.scaleAdd(mask, float(stops), out)
        return out

    # ---- the preview

    def render(
        self,
        recipe: Recipe,
        width: int,
        settled: bool = True,
        enough: int | None = None,
        moves: Callable[[], bool] = lambda: False,
    ) -> Shown:
        """A preview `width` pixels wide; not `settled`: one in motion, quick and nearly exact, of fewer pixels where
        the page shows it smaller, `enough` across. Its facts are those of the full width. Raises BrokenOff where a
        settled one is being made and `moves()` says, between two steps, that a control moves again."""
        begun = time.perf_counter()
        wanted = self.balances.of(recipe)
        known = settled or self.balances.is_found(wanted)
        seen = replace(self.balances.seen_under(wanted) if known else self.seen, vertical=self.vertical(recipe))
        if settled and moves():
            raise BrokenOff
        balance = wanted if known else self.balances.own
        placed = self._placing(seen, recipe, width, settled)
        settings = asked(seen.settings, recipe)
        if settled:
            self._lay(seen, balance, placed, recipe)
            if moves():
                raise BrokenOff
            pixels, light_words = self._exact(seen, balance, placed, settings, recipe)
        elif (laid := self._laid) and laid.placed.key == placed.key and laid.balance.mixed == wanted.mixed \
                and _but_shares(laid.mends) == _but_shares(mends(recipe)):  # fmt: skip
            pixels, light_words = self._moving_tone(laid.fewer(enough), seen, settings, wanted, recipe)
        else:
            moved = placed.fewer(enough)
            flat = self._flat(seen, balance, moved, settings, wanted, recipe)
            pixels, light_words = self._moving_frame(flat, seen, moved), flat.glass_and_stone
        data = _jpeg(pixels, QUALITY if settled else QUALITY_MOVING)
        facts = self._facts(placed, seen, settings, recipe) | light_words
        facts |= {"settled": settled, "took_ms": round(1000 * (time.perf_counter() - begun), 1)}
        return Shown(data, facts)

    def _lay(self, seen: Seen, balance: Balance, placed: Placed, recipe: Recipe) -> Laid:
        """The preview's scene, laid anew where it is not that already."""
        laid, asks = self._laid, mends(recipe)
        if laid is None or laid.placed.key != placed.key or laid.balance != balance or laid.mends != asks:
            small = self._reduced(seen, balance, placed.width, recipe)
            self._laid = laid = Laid(placed, balance, asks, small, resampled(small, seen, placed))
        return laid

    def _exact(
        self, seen: Seen, balance: Balance, placed: Placed, settings: tone.ToneSettings, recipe: Recipe
    ) -> tuple[NDArray[np.uint8], dict[str, Any]]:
        """As the picture will be written, but for its fineness."""
        laid = self._lay(seen, balance, placed, recipe)
        scene = by_stops(laid.scene, self._stops(laid, seen, recipe))
        shown = tone.apply(scene, settings, seen.noise, layers=laid.layers)
        self._toned = (laid.scene, shown)
        pixels = encode(shown, "srgb", 8)
        words: dict[str, Any] = {**_glass_and_stone(shown), "spread": self._spread(pixels)}
        return cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), words

    def _spread(self, pixels: NDArray[np.integer]) -> dict[str, Any]:
        """How light is spread: shares of the picture from black to white (of its lightest channel, as coded), and of
        the frame's raw values by stops below clipping; `clipped`, the share of the frame that is.
        """
        top = pixels[::3, ::3].max(axis=2)
        spread = {"shown": _shares(top, 0, 256), "white": float((top >= 255).mean())}
        return {**spread, **self._raw_spread, "raw_stops": RAW_STOPS}

    @cached_property
    def _raw_spread(self) -> dict[str, Any]:
        top = self.camera_half[::4, ::4].max(axis=2)
        stops = np.log2(np.maximum(top, np.float32(2.0**-RAW_STOPS)))
        spread = _shares(np.minimum(stops, -1e-6), -RAW_STOPS, 0)
        return {"raw": spread, "clipped": float((top >= FULL).mean())}

    def _moving_tone(
        self, laid: Laid, seen: Seen, settings: tone.ToneSettings, wanted: Balance, recipe: Recipe
    ) -> tuple[NDArray[np.uint8], dict[str, float]]:
        motion = laid.motion
        if (haze := self.balances.haze_between(laid.balance, wanted, laid.small.shape)) is not None:
            motion = motion.less(warped(haze, seen, laid.placed))
        if (colour := self._evening(laid, seen, recipe)) is not None:
            motion = motion.by_colour(colour)
        if (stops := self._stops(laid, seen, recipe)) is not None:
            motion = motion.by_stops(stops)
        if wanted != laid.balance:
            motion = motion.recoloured(self.balances.recolouring(laid.balance.multipliers, wanted.multipliers))
        pixels, shown = motion.render(settings, seen.noise)
        self._toned = (motion.small, shown)
        return pixels, _glass_and_stone(shown)

    def _moving_frame(self, flat: Flat, seen: Seen, placed: Placed) -> NDArray[np.uint8]:
        """The whole frame as it was toned, only warped, while the geometry moves. What lies under the pointer is not
        known until it rests."""
        self._toned = None
        shape = flat.pixels.shape
        if self._warp is None or self._warp[0] != (placed, shape):  # else the light moves, not the geometry
            maps = cv2.convertMaps(*source_positions(*lie(shape, seen, placed)), cv2.CV_16SC2)
            self._warp = ((placed, shape), maps)
        places, between = self._warp[1]
        out = cv2.remap(flat.pixels, places, between, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
        return np.asarray(out, np.uint8)

    def _flat(
        self,
        seen: Seen,
        balance: Balance,
        placed: Placed,
        settings: tone.ToneSettings,
        wanted: Balance,
        recipe: Recipe,
    ) -> Flat:
        """The whole frame toned, of as many pixels as `placed` needs, or somewhat more where that is at hand."""
        longest = max(placed.size)
        key = (placed.width, balance, wanted, settings, recipe.touches)
        kept = [size for (known, size) in self._flats if known == key and longest <= size <= COARSER * longest]
        if kept:
            return self._flats[key, min(kept)]
        motion = self._whole_motion(self._reduced(seen, balance, placed.width, recipe), longest)
        if (haze := self.balances.haze_between(balance, wanted, motion.scene.shape)) is not None:
            motion = motion.less(haze)
        turns, share = wanted.multipliers != balance.multipliers, wanted.mixed - balance.mixed
        shift = self.balances.recolouring(balance.multipliers, wanted.multipliers) if turns else None
        if share:
            motion = self.balances.without_mixed(motion, wanted.multipliers, share, shift)
        elif shift is not None:
            motion = motion.recoloured(shift)
        if lights(recipe.touches):
            motion = motion.by_stops(stops_map(motion.scene, recipe.touches))
        pixels, shown = motion.render(settings, seen.noise)
        while len(self._flats) >= SIZES:
            self._flats.pop(next(iter(self._flats)))
        self._flats[key, longest] = flat = Flat(pixels, _glass_and_stone(shown))
        return flat

    def _whole_motion(self, small: F32, longest: int) -> Motion:
        """What is prepared of the whole frame for pictures in motion, `longest` pixels across or down."""
        fineness = min(1.0, SPARE * longest / max(small.shape[:2]))
        if self._whole is None or self._whole[0] is not small:
            self._whole = (small, {})
        held = self._whole[1]
        enough = [size for size in held if fineness <= size <= COARSER * fineness]
        if enough:
            fineness = min(enough)
        else:
            while len(held) >= SIZES:
                held.pop(next(iter(held)))
            held[fineness] = Motion(cv2.resize(small, None, fx=fineness, fy=fineness, interpolation=cv2.INTER_AREA))
        return held[fineness]

    def make_ready(self, recipe: Recipe, enough: int | None) -> None:
        """Prepare, while nothing is asked for, what the first picture in motion after the one at rest will need."""
        laid, wanted = self._laid, self.balances.of(recipe)
        if laid is None or laid.balance != wanted or laid.mends != mends(recipe):
            return
        seen = replace(self.balances.seen_under(wanted), vertical=self.vertical(recipe))
        moved = laid.fewer(enough)
        _ = moved.motion
        self._stops(moved, seen, recipe)
        for touch in laid.mends:
            if touch.kind == "even colour":
                self._wall(moved, seen, touch)
        self._flat(seen, wanted, moved.placed, asked(seen.settings, recipe), wanted, recipe)

    def _facts(self, placed: Placed, seen: Seen, settings: tone.ToneSettings, recipe: Recipe) -> dict[str, Any]:
        camera, lens = seen.camera, seen.camera.distortion or Distortion()
        limit = tone.shade_limit(seen.noise, settings.exposure) if seen.noise else None
        mosaic = seen.source.mosaic
        return {
            "view": self.view.name,
            "merged": self.merged,
            "size": list(placed.size),
            "camera": {name: getattr(camera, name) for name in ("width", "height", "focal", "cx", "cy")},
            "lens": {"radial": lens.radial, "tangential": lens.tangential, "centre": lens.centre},
            "room": [placed.crop.left, placed.crop.top, placed.crop.width, placed.crop.height],
            "kept": placed.crop.kept,
            "lost": placed.crop.lost,
            "outline": self._outline(placed, lens),
            "rectification": vars(placed.rectification),
            "lean": self._lean(placed, seen.vertical),
            "verdict": seen.vertical.verdict,
            "bound": seen.vertical.bound_deg,
            "reasons": seen.vertical.reasons,
            "lines": len(recipe.lines),
            **self._line_facts(seen.vertical, recipe),
            "settings": vars(settings),
            "own": vars(seen.settings),
            "own_white": self.balances.own_white,
            "lift_limit": limit,
            "colour_temperature_known": mosaic is not None and mosaic.colours is not None,
            "own_glare": None if self.seen.glare is None else 100 * self.seen.glare.share,
            "mixed_light_known": mosaic is not None and mosaic.form != "mono",
            "monochrome": seen.settings.monochrome,
            "joined": seen.source.stitched is not None,
            "plumb_offer": recipe.plumb is None
            and seen.vertical.verdict == "sure"
            and 0 < placed.rectification.plumb < 0.995,
            "mixed_offer": self.balances.mixed_offer if recipe.mixed_light is None else None,
            "swing_offer": None if seen.swing is None or recipe.swing is not None else math.degrees(seen.swing.swing),
            "remarks": [*seen.source.remarks, *seen.remarks],
            "taken_out": [vars(one) | {"said": one.said} for one in self._told(recipe)],
        }

    def _line_facts(self, used: Vertical, recipe: Recipe) -> dict[str, Any]:
        """How far each line is off, and a warning where what is drawn contradicts the building's own edges."""
        if not recipe.lines or self.seen.source.stitched is not None:
            return {"line_errors": [], "at_odds": ""}
        own = self.seen.vertical
        errors = line_errors(used, own, recipe.lines, self._half_grid())
        gap = at_odds(own, used) if len(recipe.lines_kept) > 1 else None
        said = "" if gap is None else EDGES_SAY.format(own.bound_deg, gap)
        return {"line_errors": [vars(one) for one in errors], "at_odds": said}

    def _told(self, recipe: Recipe) -> tuple[TakenOut, ...]:
        """What came of marks that were to be taken out, as far as that is known."""
        wanted = mends(recipe)
        return next((told for (_, asks), (_, told) in self._mended.items() if asks == wanted), ())

    def _lean(self, placed: Placed, vertical: Vertical) -> dict[str, float]:
        """Degrees: the frame's own tilt and roll, and what of both the picture still has."""
        rest = placed.rectification.rotation @ np.array(vertical.up)
        return {
            "tilt": math.degrees(vertical.pitch),
            "roll": math.degrees(vertical.roll),
            "left_tilt": math.degrees(math.asin(float(np.clip(rest[2], -1, 1)))),
            "left_roll": math.degrees(math.atan2(-float(rest[0]), -float(rest[1]))),
        }

    def _outline(self, placed: Placed, lens: Distortion) -> list[list[float]]:
        """The picture's edge in the recorded frame, as shares of its width and height."""
        camera = self.seen.camera
        corners = placed.crop.corners
        steps = np.linspace(0, 1, 6, endpoint=False)[:, None]
        ring = np.concatenate([corners[i] + steps * (corners[(i + 1) % 4] - corners[i]) for i in range(4)])
        back = np.linalg.inv(placed.rectification.homography(camera))
        q = ring @ back[:, :2].T + back[:, 2]
        points = camera.recorded(q[:, :2] / q[:, 2:])
        shares = (points + 0.5) / [camera.width, camera.height]
        return [[round(float(x), 4), round(float(y), 4)] for x, y in shares]

    # ---- what lies under the pointer, and where the limits are

    def reading(self, x: float, y: float) -> dict[str, float | bool]:
        """What lies at a place of the last preview (shares of its width and height), as `pointer.reading`."""
        return {} if self._toned is None else pointer.reading(*self._toned, self.seen.noise, x, y)

    def marks(self) -> bytes:
        """A PNG to lay over the last preview, as `pointer.marks`."""
        if self._toned is None or self._laid is None:
            return b""
        height, width = self._toned[0].shape[:2]
        lost = self._clipped_mask(replace(self._laid.placed, size=(width, height)))
        return pointer.marks(*self._toned, self.seen.noise, lost)

    def _clipped_mask(self, placed: Placed) -> NDArray[np.bool_]:
        full = np.repeat((self.camera_half.max(axis=-1) >= FULL).astype(np.float32)[..., None], 3, axis=2)
        held = turned(full, self.seen.source.info.orientation)
        flags = resampled(held, self.seen, placed)
        out: NDArray[np.bool_] = flags[..., 0] > 0.3
        return out

    def before(self, recipe: Recipe, width: int) -> bytes:
        """The frame straightened and cropped as a recipe asks, as JPEG, and else as it was shot: same brightness,
        nothing held or lifted."""
        seen = replace(self.seen, vertical=self.vertical(recipe))
        placed = self._placing(seen, recipe, width)
        small = self._reduced(seen, self.balances.own, width)
        scene = resampled(hazy(small, seen), seen, placed)
        plain = np.clip(scene * np.float32(2.0**self.seen.settings.exposure), 0, 1)
        return _jpeg(cv2.cvtColor(encode(plain, "srgb", 8), cv2.COLOR_RGB2BGR))

    def still(self, recipe: Recipe, width: int) -> bytes:
        """What a recipe makes of the view, as JPEG; the preview that is shown is not touched by it."""
        wanted = self.balances.of(recipe)
        held = self._placed, self._laid, self._toned, dict(self._small)
        try:
            seen = replace(self.balances.seen_under(wanted), vertical=self.vertical(recipe))
            placed, settings = self._placing(seen, recipe, width), asked(seen.settings, recipe)
            return _jpeg(self._exact(seen, wanted, placed, settings, recipe)[0])
        finally:
            self._placed, self._laid, self._toned, self._small = held

    def whole(self, recipe: Recipe, width: int) -> tuple[dict[str, Any], bytes]:
        """All that straightening made of the frame, as a preview, for a crop to be drawn on; beyond it nothing.

        The facts: `size` of the preview, `room` [left, top, width, height] that it covers in pixels of the picture,
        the `limit` as points in shares of it, the `crop` there is and the `most` there could be, width and height.
        """
        wanted = self.balances.of(recipe)
        seen = replace(self.balances.seen_under(wanted), vertical=self.vertical(recipe))
        rectification = rectification_of(seen, recipe)
        crop = crop_of(seen, rectification, recipe.aspect, recipe)
        most = crop_of(seen, rectification, recipe.aspect, recipe.model_copy(update={"crop_size": None}))
        limit = self._limit(seen, rectification)
        near = np.clip(limit, *self._around(most, limit))
        low, high = near.min(axis=0), near.max(axis=0)
        left, top, across, down = (float(v) for v in (*low, *(high - low)))
        box = Crop(left, top, across, down, 1.0)
        placed = Placed((), width, rectification, box, size_of(box, width))
        small = self._reduced(seen, wanted, width, recipe)
        laid = Laid(placed, wanted, mends(recipe), small, resampled(small, seen, placed))
        scene = by_stops(laid.scene, self._stops(laid, seen, recipe))
        settings = asked(seen.settings, recipe)
        toned = encode(tone.apply(scene, settings, seen.noise, layers=laid.layers), "srgb", 8).astype(np.uint8)
        shares = (near - low) / (high - low)
        inside = np.zeros(toned.shape[:2], np.uint8)
        cv2.fillPoly(inside, [np.rint(shares * [placed.size[0] - 1, placed.size[1] - 1]).astype(np.int32)], 1)
        toned[inside == 0] = BEYOND
        facts = self._facts(placed, seen, settings, recipe)
        facts |= {"limit": np.round(shares, 4).tolist(), "most": [most.width, most.height],
                  "crop": [crop.left, crop.top, crop.width, crop.height]}  # fmt: skip
        return facts, _jpeg(cv2.cvtColor(toned, cv2.COLOR_RGB2BGR))

    def _limit(self, seen: Seen, rectification: Rectification) -> NDArray[np.float64]:
        """Outline of the straightened frame in the picture's pixels, (n, 2)."""
        if seen.source.stitched is not None:
            return np.asarray(seen.source.stitched.outline, float)
        return straightened_outline(seen.camera, rectification.homography(seen.camera))

    def _around(self, most: Crop, limit: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Corners of as much as is shown about a room: what straightening draws out without end is cut off."""
        reach = AROUND * np.array([most.width, most.height])
        low, high = np.array([most.left, most.top]), np.array([most.left + most.width, most.top + most.height])
        return np.maximum(limit.min(axis=0), low - reach), np.minimum(limit.max(axis=0), high + reach)

    def as_shot(self) -> bytes:
        """The frame as shot, as JPEG: same brightness, nothing held, lifted or straightened."""
        pixels = np.asarray(before(self.seen))
        return _jpeg(cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR))


def _jpeg(pixels: NDArray[np.uint8] | cv2.typing.MatLike, quality: int = QUALITY) -> bytes:
    """B, G, R as JPEG."""
    ok, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise RuntimeError("the preview could not be encoded")
    return data.tobytes()


def _share(touch: Touch) -> float:
    return 1.0 if touch.share is None else touch.share


def _but_shares(touches: tuple[Touch, ...]) -> tuple[Touch, ...]:
    """Touches with no word of the share of a wall's drift that they take out."""
    return tuple(t.model_copy(update={"share": None}) for t in touches)


def _shares(values: NDArray[Any], low: float, high: float) -> list[float]:
    """What share of some values lies in each of BINS equal parts from low to high."""
    counts = np.histogram(values, BINS, (low, high))[0]
    return [round(float(v), 5) for v in counts / counts.sum()]


def _glass_and_stone(shown: F32) -> dict[str, float]:
    """Stops below the display's white of the brightest 1/200 and of the middle of the darker three quarters."""
    luma = np.sort((shown[::8, ::8] @ LUMINANCE.astype(np.float32)).ravel())
    glass, stone = luma[int(0.995 * (luma.size - 1))], luma[int(0.375 * luma.size)]
    return {"glass": math.log2(max(float(glass), 1e-5)), "stone": math.log2(max(float(stone), 1e-5))}
