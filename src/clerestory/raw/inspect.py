"""Looking at a frame's raw data: what is clipped, how sharp it is, and a small picture of what it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.raw import srgb
from clerestory.raw.clipping import Clipping, clipping_of, with_real_white
from clerestory.raw.read import FrameInfo, Mosaic, read_info, read_mosaic, read_rendered

LOOK_WIDTH = 384  # pixels along the longer side of a look
LOOK_LEVELS = 17.0  # grey levels of a look to one stop; 255 is white, so it reaches 15 stops down
_FINE, _COARSE = (0, 1), 3  # halvings of the green plane that sharpness compares
_EDGE_LEVEL = 2  # halvings at which strong edges are looked for


@dataclass(frozen=True)
class Inspection:
    """One frame, looked at.

    `sharpness`: detail at the pixel scale over detail eight times coarser; 0 to about 2, comparable between frames
    of one view. `edge_blur`: blur of the strongest edges in the worse direction, standard deviation in raw pixels,
    comparable between scenes; 0 when they are as sharp as the pixels can tell, None when there are none. `look`:
    H x W uint8, log-coded luminance, `LOOK_LEVELS` to the stop, as recorded (not rotated). `thumbnail`: h x w x 3
    uint8 sRGB, rotated upright. `brightness`: mean of log2 of the raw share of saturation.
    """

    info: FrameInfo
    clipping: Clipping
    sharpness: float
    brightness: float
    look: NDArray[np.uint8] = field(repr=False)
    thumbnail: NDArray[np.uint8] = field(repr=False)
    edge_blur: float | None = None


Plane = NDArray[np.float32]


@dataclass(frozen=True)
class _Greens:
    """The two green planes, square-rooted, halved level by level, and where they can be trusted (255) or not (0).

    Both planes see the scene and their noise is independent: the mean product of their gradients is the detail of the
    scene alone, however high the ISO.
    """

    levels: list[tuple[Plane, Plane, NDArray[np.uint8]]]
    known: dict[tuple[int, int], tuple[Plane, NDArray[np.uint8]]] = field(default_factory=dict)

    @classmethod
    def of(cls, first: Plane, second: Plane, usable: NDArray[np.bool_]) -> _Greens:
        # The square root evens photon noise out; the offset keeps the dark from being spread.
        a, b = (cv2.sqrt(cv2.max(cv2.add(p, 0.004), 0.004)) for p in (first, second))
        ok = cv2.erode(usable.astype(np.uint8) * 255, np.ones((7, 7), np.uint8))
        levels = [(a, b, ok)]
        for _ in range(_COARSE):
            half = (a.shape[1] // 2, a.shape[0] // 2)
            if min(half) < 8:
                break
            a, b = (cv2.resize(p, half, interpolation=cv2.INTER_AREA) for p in (a, b))
            # Only what is whole: a pixel at this level is trusted when all it is made of is.
            ok = (cv2.resize(ok, half, interpolation=cv2.INTER_AREA) == 255).astype(np.uint8) * 255
            levels.append((a, b, ok))
        return cls(levels)

    def products(self, level: int, axis: int) -> tuple[Plane, NDArray[np.uint8]]:
        """Products of the planes' gradients along an axis (1 across, 0 down), and the mask that goes with them."""
        if (level, axis) in self.known:
            return self.known[level, axis]
        a, b, ok = self.levels[level]
        head: tuple[slice, slice] = (slice(None), slice(1, None)) if axis else (slice(1, None), slice(None))
        tail: tuple[slice, slice] = (slice(None), slice(None, -1)) if axis else (slice(None, -1), slice(None))
        product = np.asarray(cv2.subtract(a[head], a[tail]), np.float32)
        cv2.multiply(product, cv2.subtract(b[head], b[tail]), dst=product)
        self.known[level, axis] = product, np.asarray(cv2.min(ok[head], ok[tail]), np.uint8)
        return self.known[level, axis]


def _sharpness(greens: _Greens) -> float:
    """Fine over coarse detail, per direction, averaged harmonically: shake in one direction counts, exposure and
    contrast do not."""
    if len(greens.levels) <= _COARSE:
        return 0.0
    ratios = []
    for axis in (1, 0):
        fine = sum(cv2.mean(*greens.products(level, axis))[0] * 4.0 ** (1 - level) for level in _FINE)
        coarse = cv2.mean(*greens.products(_COARSE, axis))[0]
        if coarse <= 1e-12:
            return 0.0
        ratios.append(max(fine, 1e-18) / coarse)
    return float(2 / sum(r**-0.5 for r in ratios))


def _edge_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Blur of a step edge (standard deviation, green-plane pixels) and the ratio of its gradients' size at full and
    at quarter scale, by integrating the squares of the blurred step's differences over 1 and over 4 pixels."""
    x = np.arange(-64, 64, 0.02)
    sigmas = np.concatenate([[0.02], np.arange(0.1, 6.0, 0.1)])
    one = (np.abs(x) <= 0.5).astype(float)
    four = np.clip(4 - np.abs(x), 0, None) / 4
    spectrum = [np.abs(np.fft.rfft(np.fft.ifftshift(k))) ** 2 for k in (one, four)]
    f = np.fft.rfftfreq(len(x), 0.02)
    ratios = [
        2 * np.sqrt((spectrum[0] * g).sum() / (spectrum[1] * g).sum())
        for g in (np.exp(-4 * (np.pi * f * s) ** 2) for s in sigmas)
    ]
    return sigmas, np.array(ratios)


_BLURS, _RATIOS = _edge_table()


def _edge_blur(greens: _Greens) -> float | None:
    """Blur across the strongest edges, in the worse direction, standard deviation in raw pixels; None without."""
    if len(greens.levels) <= _EDGE_LEVEL:
        return None
    worst = 0.0
    for axis in (1, 0):
        coarse, ok = greens.products(_EDGE_LEVEL, axis)
        strength = np.where(ok > 0, cv2.blur(coarse, (3, 3)), 0)
        usable = strength[ok > 0]
        if usable.size < 400:
            return None
        limit = max(float(np.partition(usable, -(usable.size // 50))[-(usable.size // 50)]), 1e-7)
        edges = cv2.dilate((strength >= limit).astype(np.uint8) * 255, np.ones((3, 3), np.uint8)) & ok
        fine, fine_ok = greens.products(0, axis)
        wide = cv2.resize(edges, fine.shape[::-1], interpolation=cv2.INTER_NEAREST) & fine_ok
        below = cv2.mean(coarse, edges)[0]
        if below <= 1e-9:
            return None
        ratio = 2 * (max(cv2.mean(fine, wide)[0], 0) / below) ** 0.5
        worst = max(worst, float(np.interp(-ratio, -_RATIOS, _BLURS)))
    return 2 * worst


def sharpness_of(first: Plane, second: Plane, usable: NDArray[np.bool_]) -> tuple[float, float | None]:
    """Sharpness and edge blur from the two green planes (each H x W, linear, 1 = saturation).

    `usable` is False where clipped. See `Inspection` for what the two figures mean.
    """
    greens = _Greens.of(first, second, usable)
    return _sharpness(greens), _edge_blur(greens)


def log_look(linear: NDArray[np.float32]) -> NDArray[np.uint8]:
    """A look, uint8 h x w: luminance, float32 H x W (1 = saturation), coded `LOOK_LEVELS` to the stop below white.

    Shrunk by area to LOOK_WIDTH pixels along the longer side.
    """
    scale = LOOK_WIDTH / max(linear.shape)
    size = (max(8, round(linear.shape[1] * scale)), max(8, round(linear.shape[0] * scale)))
    small = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
    coded = 255 + LOOK_LEVELS * np.log2(np.maximum(small, 2.0**-15))
    return np.clip(coded, 0, 255).astype(np.uint8)


def upright(picture: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """A picture, uint8 H x W or H x W x 3, turned and mirrored as its EXIF orientation (1 to 8) asks."""
    if orientation in (2, 4, 5, 7):
        picture = picture[:, ::-1]
    turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(picture, turns))


def _thumbnail(rgb: NDArray[np.float32], orientation: int) -> NDArray[np.uint8]:
    """An sRGB thumbnail of a small linear RGB picture, brightened so that its middle is seen."""
    middle = float(np.median(rgb.mean(axis=2)))
    lit = np.clip(rgb * (0.18 / max(middle, 0.18 / 64)), 0, None)
    lit = lit * (1 + lit / 16) / (1 + lit)  # rolls off towards white instead of cutting
    coded = srgb.encoded(lit)
    return upright(np.clip(coded * 255 + 0.5, 0, 255).astype(np.uint8), orientation)


def _scaled(mosaic: Mosaic, channel: int) -> NDArray[np.float32]:
    """One colour plane, H/2 x W/2, black at 0 and clipping at 1."""
    row, column = (int(v) for v in np.argwhere(mosaic.cfa == channel)[0])
    h, w = mosaic.raw.shape[0] // 2 * 2, mosaic.raw.shape[1] // 2 * 2
    gain = 1.0 / max(float(mosaic.white[channel] - mosaic.black[channel]), 1.0)
    plane = np.ascontiguousarray(mosaic.raw[row:h:2, column:w:2])
    out: NDArray[np.float32] = cv2.addWeighted(plane, gain, plane, 0, -mosaic.black[channel] * gain, dtype=cv2.CV_32F)
    return out


def _small(plane: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    out: NDArray[np.float32] = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
    return out


def _squared(rgb: NDArray[np.float32], aspect: float) -> NDArray[np.float32]:
    """A small picture with its pixels made square."""
    if abs(aspect - 1) < 0.01:
        return rgb
    h, w = rgb.shape[:2]
    size = (w, round(h / aspect)) if aspect > 1 else (round(w * aspect), h)
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.float32)


def _gaussian(plane: Plane, deviation: float) -> Plane:
    """A plane blurred by a Gaussian that may be narrower than a pixel: in the cosine transform, edges mirrored."""
    h, w = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    down, across = (np.exp(-((np.pi * deviation * np.arange(n) / n) ** 2) / 2) for n in (h, w))
    out = plane.copy()
    out[:h, :w] = cv2.idct(cv2.dct(plane[:h, :w]) * np.outer(down, across).astype(np.float32))
    return out


def blurred_sharpness(mosaic: Mosaic, blurs: Sequence[float]) -> list[float]:
    """Sharpness of a raw frame were it blurred further by Gaussians of these standard deviations, raw pixels.

    That is what a frame of the same view shows that is blurred by so much more; 0 gives the frame as it is.

    For blurs that are small against the detail that is left only the spread counts, not the shape: the Fourier
    transform of any blur falls off as its second moment at first.
    """
    real, _ = with_real_white(mosaic)
    first, second = (_scaled(real, c) for c in (1, 3))
    usable = (first < 0.98) & (second < 0.98)
    return [sharpness_of(_gaussian(first, b / 2), _gaussian(second, b / 2), usable)[0] for b in blurs]


def inspect_mosaic(info: FrameInfo, mosaic: Mosaic) -> Inspection:
    """Clipping, sharpness and looks of one raw frame."""
    mosaic, found = with_real_white(mosaic)
    clipping = clipping_of(mosaic, found, patches=False)
    planes = [_scaled(mosaic, c) for c in range(4)]
    sharp, blur = sharpness_of(planes[1], planes[3], (planes[1] < 0.98) & (planes[3] < 0.98))
    scale = LOOK_WIDTH / max(planes[0].shape)
    size = (max(8, round(planes[0].shape[1] * scale)), max(8, round(planes[0].shape[0] * scale)))
    r, g1, b, g2 = (_small(p, size) for p in planes)
    balance = mosaic.as_shot or mosaic.daylight or (1.0, 1.0, 1.0)
    rgb = np.stack([r * balance[0], (g1 + g2) / 2, b * balance[2]], axis=2).astype(np.float32)
    green = ((g1 + g2) / 2).astype(np.float32)
    return Inspection(
        info,
        clipping,
        sharp,
        float(np.log2(np.maximum(green, 2.0**-15)).mean()),
        log_look(green),
        _thumbnail(_squared(np.maximum(rgb, 0), mosaic.pixel_aspect), info.orientation),
        blur,
    )


def _inspect_rendered(info: FrameInfo) -> Inspection:
    """The same for a finished picture, whose clipping is that of the picture, not of the sensor."""
    rgb, _ = read_rendered(info.path)
    h, w = rgb.shape[0] // 2 * 2, rgb.shape[1] // 2 * 2
    green = np.ascontiguousarray(rgb[:h, :w, 1])
    first, second = np.ascontiguousarray(green[::2, ::2]), np.ascontiguousarray(green[1::2, 1::2])
    sharp, blur = sharpness_of(first, second, (first < 0.98) & (second < 0.98))
    full = rgb >= 0.9999
    r, g, b = (float(v) for v in full.mean(axis=(0, 1)))
    one, two, three = (float(v) / full[..., 0].size for v in np.bincount(full.sum(axis=2).ravel(), minlength=4)[1:4])
    clipping = Clipping((1.0,) * 4, (False,) * 4, (r, g, b, g), one, two, three)
    scale = LOOK_WIDTH / max(h, w)
    small = cv2.resize(rgb, (max(8, round(w * scale)), max(8, round(h * scale))), interpolation=cv2.INTER_AREA)
    return Inspection(
        info,
        clipping,
        sharp,
        float(np.log2(np.maximum(small[..., 1], 2.0**-15)).mean()),
        log_look(np.ascontiguousarray(small[..., 1])),
        _thumbnail(small, info.orientation),
        blur,
    )


def inspect_file(path: Path) -> Inspection:
    """Read and look at one file, raw or finished. UserError says what is wrong with a bad one."""
    info = read_info(path)
    return inspect_mosaic(info, read_mosaic(path, info)) if info.is_raw else _inspect_rendered(info)
