"""How the weights of `clerestory.develop.wide_demosaic` were made: least squares on pictures whose colours are known.

    python bench/train_wide.py PHOTOGRAPHS OUT.npy

PHOTOGRAPHS holds, as .exr, those of the OpenEXR project that bench/train.py names (openexr-images, BSD-3-Clause,
Industrial Light & Magic and contributors), each used at two sizes; the rest is light made up by bench/scenes.py,
seeds 0 to 21. The panoramas of Poly Haven, the modelled church of seed 1 and scikit-image's photographs were not
seen: `bench/raw.py --patterns` judges on them.

Every picture is exposed, turned and mirrored by chance, put behind the 6 x 6 pattern, and given no, little or some
noise. For each of the nine places of half a cell and each class the weights are the least squares answer, drawn
towards that of all classes where samples are few.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import OpenEXR
from numba import njit
from numpy.typing import NDArray

import scenes
import train
from clerestory.develop.directional import FOOT
from clerestory.develop.wide_demosaic import CELL, CLASSES, REACH, _class_of, _maps, _tensor

F32 = NDArray[np.float32]
SIDE = 2 * REACH + 1
MADE_UP = 22
NOISES = (1e-4, 2e-3, 6e-3)  # of the fourth root
DRAWN = 300  # samples that the answer of all classes counts for
EDGE = 9


def photographs(folder: Path) -> list[F32]:
    """Real light at two sizes each, mean 1."""
    out = []
    for name, scale in train.TRAIN_PHOTOGRAPHS.items():
        channels = OpenEXR.File(str(folder / f"{name}.exr")).channels()
        pixels = np.asarray(channels["RGB" if "RGB" in channels else "RGBA"].pixels[..., :3], np.float32)
        pixels = np.clip(np.nan_to_num(pixels, posinf=6e4), 0, 6e4)
        for size in (scale, 0.6 * scale):
            light = cv2.resize(pixels, None, fx=size, fy=size, interpolation=cv2.INTER_AREA) if size != 1 else pixels
            high = np.percentile(light, 99)
            out.append(np.minimum(light / np.minimum(light, high).mean(), 1000).astype(np.float32))
    return out


def colours_of(pictures: list[F32]) -> F32:
    """Patches of colour for `scenes`."""
    rng, patches = np.random.default_rng(5), []
    for _ in range(600):
        light = pictures[rng.integers(len(pictures))]
        y, x = rng.integers(light.shape[0] - 16), rng.integers(light.shape[1] - 16)
        patch = light[y : y + 16, x : x + 16].reshape(256, 3)
        patches.append(patch / max(float(patch.mean()), 1e-4))
    return np.clip(patches, 0.002, 20).astype(np.float32)


@njit(error_model="numpy")
def classes(tensor: F32) -> NDArray[np.int32]:
    """The class of every place."""
    out = np.empty(tensor.shape[1:], np.int32)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            out[y, x] = _class_of(tensor[0, y, x], tensor[1, y, x], tensor[2, y, x])
    return out


def exposed(light: F32, rng: np.random.Generator) -> tuple[F32, F32, NDArray[np.int8]]:
    """Fourth roots of a picture exposed and turned by chance, of what a sensor saw of it, and its filters."""
    turns = int(rng.integers(8))
    seen = np.rot90(np.minimum(light * np.exp(rng.uniform(np.log(0.06), np.log(0.5))), 1), turns % 4)
    roots = np.sqrt(np.sqrt(np.ascontiguousarray(seen[:, ::-1] if turns > 3 else seen) + np.float32(FOOT)))
    height, width = roots.shape[:2]
    filters = np.tile(CELL, (height // 6 + 1, width // 6 + 1))[:height, :width]
    mosaic = np.take_along_axis(roots, filters[..., None].astype(int), 2)[..., 0]
    return roots, (mosaic + rng.normal(0, rng.choice(NOISES), mosaic.shape)).astype(np.float32), filters


def samples(
    roots: F32, mosaic: F32, filters: NDArray[np.int8]
) -> Iterator[tuple[int, NDArray[np.int32], F32, NDArray[np.floating]]]:
    """For each place of half a cell: its number, classes, what the samples about stand above their colours' levels
    (N x 49), and what the missing colours stand above theirs (N x 2)."""
    maps = _maps(mosaic, filters)
    kinds, levels = classes(_tensor(mosaic, filters, maps[0])), np.moveaxis(maps[0], 0, -1)
    height, width = mosaic.shape
    for place in range(9):
        rows, columns = (np.arange(6 + p, n - EDGE, 3) for p, n in ((place // 3, height), (place % 3, width)))
        y, x = (v.ravel() for v in np.meshgrid(rows, columns, indexing="ij"))
        swapped = ((y // 3 + x // 3) % 2 == 1)[:, None]
        mean, true = (np.where(swapped, v[y, x][:, ::-1], v[y, x]) for v in (levels, roots))
        about = np.empty((len(y), SIDE * SIDE), np.float32)
        for k in range(SIDE * SIDE):
            i, j = k // SIDE - REACH, k % SIDE - REACH
            about[:, k] = mosaic[y + i, x + j] - mean[:, CELL[(place // 3 + i) % 6, (place % 3 + j) % 6]]
        missing = [c for c in range(3) if c != CELL[place // 3, place % 3]]
        yield place, kinds[y, x], about, true[:, missing] - mean[:, missing]


def summed(pictures: list[F32]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Normal equations by place and class: matrices, right sides, and how many samples."""
    many = SIDE * SIDE
    left, right = np.zeros((9, CLASSES, many, many)), np.zeros((9, CLASSES, many, 2))
    count, rng = np.zeros((9, CLASSES)), np.random.default_rng(1)
    for light in pictures:
        for place, kinds, about, wanted in samples(*exposed(light, rng)):
            order = np.argsort(kinds, kind="stable")
            ends = np.searchsorted(kinds[order], np.arange(CLASSES + 1))
            for kind in range(CLASSES):
                one = order[ends[kind] : ends[kind + 1]]
                left[place, kind] += about[one].T @ about[one]
                right[place, kind] += about[one].T @ wanted[one]
                count[place, kind] += len(one)
    return left, right, count


def solved(left: NDArray[np.float64], right: NDArray[np.float64], count: NDArray[np.float64]) -> NDArray[np.float16]:
    """Weights, 9 x CLASSES x 2 x 49."""
    many = left.shape[-1]
    out, unit = np.zeros(right.shape), np.eye(many)
    for place in range(9):
        every = left[place].sum(axis=0)
        common = np.linalg.solve(every + unit * 1e-5 * np.trace(every) / many, right[place].sum(axis=0))
        for kind in range(CLASSES):
            own = left[place, kind]
            pull = DRAWN * np.trace(own) / many / max(count[place, kind], 1) + 1e-9
            out[place, kind] = np.linalg.solve(own + unit * pull, right[place, kind] + pull * common)
    return np.ascontiguousarray(np.moveaxis(out, 2, 3)).astype(np.float16)


def main() -> None:
    """Make the weights."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photographs", type=Path)
    parser.add_argument("out", type=Path)
    asked = parser.parse_args()
    real = photographs(asked.photographs)
    made = [scenes.picture(seed, colours_of(real)) for seed in range(MADE_UP)]
    np.save(asked.out, solved(*summed(real + made)))


if __name__ == "__main__":
    main()
