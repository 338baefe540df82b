"""One view held open: its half-size picture in memory, and previews of it as fast as a hand moves a control."""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.geometry import Distortion, Room, Straightening
from clerestory.finish import light, plumb, tone, white
from clerestory.finish.colour import LUMINANCE, encode, working_from_camera
from clerestory.finish.light import Multipliers
from clerestory.finish.pipeline import Seen, asked, before, look, room_of, straightening_of
from clerestory.finish.recipe import Recipe
from clerestory.finish.resample import resample
from clerestory.frames.group import View
from clerestory.web.motion import Motion

F32 = NDArray[np.float32]
QUALITY = 85  # of preview JPEGs
OPEN_AT_ONCE = 3  # views held in memory, some 150 MB each at 20 megapixels
SPARE = 1.12  # fineness of the picture that previews are taken from, as a share of the preview's
FULL = 0.985  # share of raw saturation that counts as clipped
SEEN_NOISE = 0.012  # display-linear deviation in the shade that shows as grain at preview size


@dataclass(frozen=True)
class Laid:
    """The picture's geometry: scene-linear pixels of the preview, and how they came from the frame."""

    key: tuple[object, ...]
    multipliers: Multipliers
    scene: F32
    straightening: Straightening
    room: Room

    @cached_property
    def layers(self) -> tuple[F32, F32]:
        """What tone mapping finds in the picture whatever its settings."""
        return tone.layers_of(self.scene)

    @cached_property
    def motion(self) -> Motion:
        """What makes previews quick while a control moves."""
        return Motion(self.scene)


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
    _balanced: tuple[Multipliers, Seen] | None = None
    _upright: tuple[object, plumb.Upright] | None = None
    _laid: Laid | None = None
    _small: tuple[int, Seen, F32] | None = None
    _toned: tuple[F32, F32] | None = None

    @classmethod
    def of(cls, view: View, stage: Callable[[str], None], source: light.Source | None = None) -> OpenView:
        """Look at a view, from the light of all its frames where that is given, else of its pick alone: seconds."""
        stage("reading")
        merged = source is not None or len(view.frames) == 1
        light_of_it = source if source is not None else light.read_source(view.pick)
        seen = look(light_of_it, Recipe(), stage)
        return cls(view, seen, light.half_size(light_of_it), merged)

    # ---- white balance

    def multipliers(self, recipe: Recipe) -> Multipliers:
        """The white balance a recipe asks for."""
        mosaic = self.seen.source.mosaic
        if recipe.warmth is None or mosaic is None or mosaic.xyz_to_camera is None:
            return self.seen.multipliers
        return white.multipliers_for(recipe.warmth, recipe.tint or 0.0, mosaic.xyz_to_camera)

    def balanced(self, multipliers: Multipliers) -> Seen:
        """What is seen under a white balance."""
        if multipliers == self.seen.multipliers:
            return self.seen
        if self._balanced is None or self._balanced[0] != multipliers:
            half = light.balanced_half(self.camera_half.copy(), self.seen.source, multipliers)
            noise = light.shown_noise(self.seen.source, multipliers)
            fresh = replace(
                self.seen, half=half, multipliers=multipliers, noise=noise, settings=tone.judge(half, noise)
            )
            self._balanced = (multipliers, fresh)
        return self._balanced[1]

    def _recolouring(self, old: Multipliers, new: Multipliers) -> F32:
        """Another white balance as a matrix over working pixels: exact but where the raw was clipped."""
        mosaic = self.seen.source.mosaic
        if mosaic is None:
            return np.eye(3, dtype=np.float32)
        matrix = working_from_camera(mosaic.xyz_to_camera)
        gains = (np.array(new) / min(new)) / (np.array(old) / min(old))
        out: F32 = (matrix @ np.diag(gains) @ np.linalg.inv(matrix)).astype(np.float32)
        return out

    # ---- geometry

    def upright(self, recipe: Recipe) -> plumb.Upright:
        """The vertical, by the recipe's lines where there are two or more."""
        if len(recipe.guides) < 2:
            return self.seen.upright
        if self._upright is None or self._upright[0] != recipe.guides:
            height, width = self.seen.half.shape[:2]
            grid = replace(self.seen.camera.scaled(0.5), width=width, height=height)
            found = plumb.with_guides(self.seen.upright, recipe.guides, grid, light.distortion_of(self.seen.source))
            self._upright = (recipe.guides, found)
        return self._upright[1]

    def _lay(self, recipe: Recipe, width: int, settled: bool) -> tuple[Laid, Seen]:
        wanted = self.multipliers(recipe)
        known = settled or (self._balanced is not None and self._balanced[0] == wanted)
        seen = replace(self.balanced(wanted) if known else self.seen, upright=self.upright(recipe))
        key = (width, seen.upright.up, recipe.plumb, recipe.turn, recipe.shape, recipe.place_crop)
        laid = self._laid
        if laid is None or laid.key != key or (settled and laid.multipliers != wanted):
            straightening = straightening_of(seen, recipe)
            room = room_of(seen, straightening, recipe.shape, recipe)
            scene = _resampled(self._reduced(seen, width), seen, straightening, room, width)
            laid = Laid(key, seen.multipliers, scene, straightening, room)
            self._laid = laid
        return laid, seen

    def _reduced(self, seen: Seen, width: int) -> F32:
        """The half-size picture averaged down to a little more than the preview's fineness, once."""
        held = self._small
        if held is None or held[0] != width or held[1].multipliers != seen.multipliers:
            height, across = seen.half.shape[:2]
            factor = min(1.0, SPARE * width / max(height, across))
            small = cv2.resize(seen.half, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            self._small = held = (width, seen, small)
        return held[2]

    # ---- the preview

    def render(self, recipe: Recipe, width: int, settled: bool = True) -> Shown:
        """A preview `width` pixels wide; not `settled`: one in motion (see `motion`)."""
        begun = time.perf_counter()
        laid, seen = self._lay(recipe, width, settled)
        settings = asked(seen.settings, recipe)
        if settled:
            shown = tone.apply(laid.scene, settings, seen.noise, layers=laid.layers)
            pixels = cv2.cvtColor(encode(shown, "srgb", 8), cv2.COLOR_RGB2BGR)
            self._toned = (laid.scene, shown)
        else:
            motion, wanted = laid.motion, self.multipliers(recipe)
            if wanted != laid.multipliers:
                motion = motion.recoloured(laid.scene, self._recolouring(laid.multipliers, wanted))
            pixels, shown = motion.render(settings, seen.noise)
            self._toned = (motion.small, shown)
        ok, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        if not ok:
            raise RuntimeError("the preview could not be encoded")
        facts = self._facts(laid, seen, settings, recipe) | _glass_and_stone(shown)
        facts["took_ms"] = round(1000 * (time.perf_counter() - begun), 1)
        return Shown(data.tobytes(), facts)

    def _facts(self, laid: Laid, seen: Seen, settings: tone.ToneSettings, recipe: Recipe) -> dict[str, Any]:
        camera, lens = seen.camera, light.distortion_of(seen.source) or Distortion()
        height, width = laid.scene.shape[:2]
        limit = tone.shade_limit(seen.noise, settings.exposure) if seen.noise else None
        return {
            "view": self.view.name,
            "merged": self.merged,
            "size": [width, height],
            "camera": vars(camera),
            "lens": {"radial": lens.radial, "tangential": lens.tangential, "centre": lens.centre},
            "room": [laid.room.left, laid.room.top, laid.room.width, laid.room.height],
            "kept": laid.room.kept,
            "lost": laid.room.lost,
            "outline": self._outline(laid, lens),
            "straightening": vars(laid.straightening),
            "lean": self._lean(laid, seen.upright),
            "verdict": seen.upright.verdict,
            "bound": seen.upright.bound_deg,
            "reasons": seen.upright.reasons,
            "guides": len(recipe.guides),
            "settings": vars(settings),
            "own": vars(seen.settings),
            "lift_limit": limit,
            "warmth_known": seen.source.mosaic is not None and seen.source.mosaic.xyz_to_camera is not None,
            "remarks": [*seen.source.remarks, *seen.remarks],
        }

    def _lean(self, laid: Laid, upright: plumb.Upright) -> dict[str, float]:
        """Degrees: the frame's own tilt and roll, and what of both the picture still has."""
        rest = laid.straightening.rotation @ np.array(upright.up)
        return {
            "tilt": math.degrees(upright.pitch),
            "roll": math.degrees(upright.roll),
            "left_tilt": math.degrees(math.asin(float(np.clip(rest[2], -1, 1)))),
            "left_roll": math.degrees(math.atan2(-float(rest[0]), -float(rest[1]))),
        }

    def _outline(self, laid: Laid, lens: Distortion) -> list[list[float]]:
        """The picture's edge in the recorded frame, as shares of its width and height."""
        camera = self.seen.camera
        corners = laid.room.corners
        steps = np.linspace(0, 1, 6, endpoint=False)[:, None]
        ring = np.concatenate([corners[i] + steps * (corners[(i + 1) % 4] - corners[i]) for i in range(4)])
        back = np.linalg.inv(laid.straightening.homography(camera))
        q = ring @ back[:, :2].T + back[:, 2]
        points = lens.recorded(q[:, :2] / q[:, 2:], camera)
        shares = (points + 0.5) / [camera.width, camera.height]
        return [[round(float(x), 4), round(float(y), 4)] for x, y in shares]

    # ---- what lies under the pointer, and where the limits are

    def reading(self, x: float, y: float) -> dict[str, float | bool]:
        """Stops at a place of the preview (shares of its width and height), averaged over 5 x 5 pixels.

        `shown`: below the display's white; `raw`: below raw saturation of the least amplified channel; `grain`: the
        noise as a share of the light there, in stops; `clipped`: the raw has nothing there in some channel.
        """
        if self._toned is None or self._laid is None:
            return {}
        scene, shown = self._toned
        height, width = scene.shape[:2]
        column, row = int(np.clip(x * width, 2, width - 3)), int(np.clip(y * height, 2, height - 3))
        patch = np.s_[row - 2 : row + 3, column - 2 : column + 3]
        raw = float((scene[patch].mean(axis=(0, 1)) @ LUMINANCE).clip(1e-6))
        out = float((shown[patch].mean(axis=(0, 1)) @ LUMINANCE).clip(1e-6))
        reading: dict[str, float | bool] = {"shown": math.log2(out), "raw": math.log2(raw)}
        if self.seen.noise is not None:
            reading["grain"] = math.log2(1 + self.seen.noise.deviation(raw) / raw)
        reading["clipped"] = bool(scene[patch].max() >= 1.0)
        return reading

    def marks(self) -> bytes:
        """A PNG with an alpha channel over the last preview: gold where raw is clipped, blue where noise shows."""
        if self._toned is None or self._laid is None:
            return b""
        scene, shown = self._toned
        lost = self._clipped_mask(self._laid, scene.shape[1])
        out = np.zeros((*scene.shape[:2], 4), np.uint8)
        rows, columns = np.indices(scene.shape[:2])
        if self.seen.noise is not None:
            luma = np.maximum(cv2.transform(scene, LUMINANCE.astype(np.float32)[None]), np.float32(1e-6))
            lit = cv2.transform(shown, LUMINANCE.astype(np.float32)[None])
            noise = self.seen.noise
            grain = np.sqrt(np.maximum(noise.slope * luma + noise.floor, 0)) / luma * lit
            out[(grain > SEEN_NOISE) & (lit < 0.18) & ((rows + columns) % 12 < 4)] = (212, 150, 90, 230)
        out[lost & ((rows - columns) % 10 < 5)] = (70, 190, 240, 240)
        ok, data = cv2.imencode(".png", out)
        return data.tobytes() if ok else b""

    def _clipped_mask(self, laid: Laid, width: int) -> NDArray[np.bool_]:
        full = np.repeat((self.camera_half.max(axis=-1) >= FULL).astype(np.float32)[..., None], 3, axis=2)
        turned = light.turned(full, self.seen.source.info.orientation)
        flags = _resampled(turned, self.seen, laid.straightening, laid.room, width)
        out: NDArray[np.bool_] = flags[..., 0] > 0.3
        return out

    def as_shot(self) -> bytes:
        """The frame as it came, as JPEG: same brightness, nothing held, lifted or straightened."""
        pixels = np.asarray(before(self.seen))
        ok, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        return data.tobytes() if ok else b""


def _resampled(rgb: F32, seen: Seen, straightening: Straightening, room: Room, width: int) -> F32:
    """The room's part of a picture of the whole frame (of any fineness), `width` pixels along its longer side."""
    camera = seen.camera
    size = (width, max(16, round(width * room.height / room.width)))
    if size[1] > width:  # an upright picture: as many pixels as one lying down
        size = (max(16, round(width * room.width / room.height)), width)
    factor = rgb.shape[1] / camera.width
    fine = np.array([[factor, 0, 0.5 * factor - 0.5], [0, factor, 0.5 * factor - 0.5], [0, 0, 1.0]])
    grid = replace(camera.scaled(factor), width=rgb.shape[1], height=rgb.shape[0])
    across = fine @ straightening.homography(camera) @ np.linalg.inv(fine)
    return resample(rgb, grid, light.distortion_of(seen.source), across, room.scaled(factor), size)


class Darkroom:
    """The views held open, the last used kept."""

    def __init__(self) -> None:
        self._open: OrderedDict[str, OpenView] = OrderedDict()
        self._opening: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()

    def at_hand(self, view: View) -> OpenView | None:
        """The view if it is open and still the same frames."""
        with self._lock:
            found = self._open.get(view.name)
            if found is None or found.view != view:
                return None
            self._open.move_to_end(view.name)
            return found

    def open(self, view: View, stage: Callable[[str], None]) -> OpenView:
        """The view, its pick read if it is not open yet; two askers read it once."""
        with self._lock:
            gate = self._opening.setdefault(view.name, threading.Lock())
        with gate:
            return self.at_hand(view) or self.put(OpenView.of(view, stage))

    def put(self, opened: OpenView) -> OpenView:
        """Hold a view open, in place of what was held of it; the one longest unused is let go."""
        with self._lock:
            self._open[opened.view.name] = opened
            self._open.move_to_end(opened.view.name)
            while len(self._open) > OPEN_AT_ONCE:
                self._open.popitem(last=False)
        return opened


def _glass_and_stone(shown: F32) -> dict[str, float]:
    """Stops below the display's white of the brightest 1/200 and of the middle of the darker three quarters."""
    luma = np.sort((shown[::8, ::8] @ LUMINANCE.astype(np.float32)).ravel())
    glass, stone = luma[int(0.995 * (luma.size - 1))], luma[int(0.375 * luma.size)]
    return {"glass": math.log2(max(float(glass), 1e-5)), "stone": math.log2(max(float(stone), 1e-5))}


def frame_at_full_size(path: Path) -> bytes:
    """A frame at full size as JPEG for comparing sharpness: demosaiced, white balanced, nothing else."""
    source = light.read_source(path)
    seen = _plain(source)
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(seen, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not ok:
        raise RuntimeError(f"{path.name} could not be encoded")
    return data.tobytes()


def _plain(source: light.Source) -> NDArray[np.uint8]:
    mosaic = source.mosaic
    multipliers = (mosaic.as_shot or mosaic.daylight or (2.0, 1.0, 1.6)) if mosaic is not None else (1.0, 1.0, 1.0)
    full = light.full_size(source, multipliers, 0.0, "fast", lambda _: None)
    step = max(1, max(full.shape[:2]) // 1000)
    level = np.median(np.maximum(full[::step, ::step] @ LUMINANCE.astype(np.float32), 1e-5))
    full *= np.float32(0.16 / level)
    np.clip(full, 0, 1, out=full)
    return encode(full, "srgb", 8).astype(np.uint8)
