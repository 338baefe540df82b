"""How the network of `clerestory.develop.learned` was made: a mosaic and its default picture in, camera RGB out.

    python bench/train.py gather FOLDER PANORAMAS PHOTOGRAPHS   real light, once: FOLDER/real.npz
    python bench/train.py train FOLDER --minutes 27             FOLDER/net.npz, net_live.npz; goes on where it was
    python bench/train.py export FOLDER/net.npz OUT.onnx

`train` wants PyTorch and a CUDA device (a processor serves for a try), `export` the `onnx` package; neither is needed
to use the network. Workers make the pictures, photograph them and develop them the default way, with
`learned.first_answer` itself; `--seed` fixes weights and pictures, but these are used as they get ready, so that two
runs agree in kind, not in bytes. For the last part of the time it learns as it is used, in whole numbers of 8 bits
(bench/network.py). The log of the run that made the packaged weights is beside this file, train.log.

What it saw, all linear light:
- made up by bench/scenes.py: dead leaves (Achddou, Gousseau, Ladjal 2023), cut and painted stone, leaded glass, views
  in the modelled churches of seeds 100 to 159;
- panoramas of Poly Haven, CC0: thatch_chapel_1k, old_hall_1k, drachenfels_cellar_1k, leadenhall_market_1k; from the
  copies that pmndrs/drei-assets keeps of them: adams_place_bridge_1k, dikhololo_night_1k, empty_warehouse_01_1k,
  forest_slope_1k, immenstadter_horn_1k, kiara_1_dawn_1k, lebombo_1k, potsdamer_platz_1k, rooitou_park_1k,
  st_fagans_interior_1k, venice_sunset_1k;
- photographs of the OpenEXR project (openexr-images, BSD-3-Clause, Industrial Light & Magic and contributors):
  Bonita, CandleGlass, Carrots, GoldenGate, KernerEnvLatLong, MtTamWest, StageEnvLatLong, StillLife, Tree.
What it did not see, and is judged on: vestibule_1k (CC0); Desk and Cannon of openexr-images; the modelled church of
seed 1; scikit-image's photographs; any real raw frame.

Regression alone: the mean distance to the truth, on the scale the network works in. No adversary, no perceptual
measure: where light lies under the noise, the best answer by this measure is smooth.
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import math
import multiprocessing
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import numpy as np
from numpy.typing import NDArray

from rounding import LARGEST, LEAST, MOST_WEIGHT

F32 = NDArray[np.float32]

CHANNELS = (48, 96, 192)
BLOCKS = (2, 1, 4)
SOFT = 4  # of the distance: up to how many times what can be reached the square counts
NET = "/".join([",".join(map(str, CHANNELS)), ",".join(map(str, BLOCKS)), str(SOFT)])
INPUTS = 19  # four samples of a 2 x 2 cell, the default's twelve, the noise of red, green and blue
CROP = 320  # pixels of a developed picture
IMAGES = 7  # of a developed picture: mosaic, the default's red, green and blue, the truth's
FACTS = 4  # noise of red, green and blue as told, noise of green as it is
MADE, REAL = 11, 5  # developed pictures of one made-up scene, and of real light beside them
SLOTS = 256  # developed pictures on their way to the device
MEET = 5  # steps after which devices that learn side by side take the mean of what they learned
WATCHED = 8  # batches that tell how far values reach

TRAIN_PANORAMAS = (
    "thatch_chapel_1k.hdr", "old_hall_1k.exr", "drachenfels_cellar_1k.hdr", "leadenhall_market_1k.hdr",
    "adams_place_bridge_1k.hdr", "dikhololo_night_1k.hdr", "empty_warehouse_01_1k.hdr", "forest_slope_1k.hdr",
    "immenstadter_horn_1k.hdr", "kiara_1_dawn_1k.hdr", "lebombo_1k.hdr", "potsdamer_platz_1k.hdr",
    "rooitou_park_1k.hdr", "st_fagans_interior_1k.hdr", "venice_sunset_1k.hdr",
)  # fmt: skip
# Photographs and by what they are reduced: film scans and demosaiced frames are softer than their pixels.
TRAIN_PHOTOGRAPHS = {
    "Bonita": 0.6, "CandleGlass": 0.6, "Carrots": 0.75, "GoldenGate": 0.6, "KernerEnvLatLong": 1.0,
    "MtTamWest": 0.7, "StageEnvLatLong": 1.0, "StillLife": 0.6, "Tree": 0.6,
}  # fmt: skip
TEST_PICTURES = ("vestibule_1k.hdr", "Desk", "Cannon")


def gather(folder: Path, panoramas: Path, photographs: Path) -> None:
    """Real light as float16, mean 1, in FOLDER/real.npz: train_0... and test_0..., and patches of colour."""
    import cv2
    import OpenEXR

    from clerestory.simulate.panorama import load_panorama

    def photograph(name: str, scale: float) -> F32:
        channels = OpenEXR.File(str(photographs / f"{name}.exr")).channels()
        pixels = np.asarray(channels["RGB" if "RGB" in channels else "RGBA"].pixels[..., :3], np.float32)
        pixels = np.clip(np.nan_to_num(pixels, posinf=6e4), 0, 6e4)
        return pixels if scale == 1 else cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)

    def levelled(light: F32) -> F32:
        high = np.percentile(light, 99)
        return np.minimum(light / np.minimum(light, high).mean(), 1000)

    out: dict[str, Any] = {}
    train = [load_panorama(panoramas / name)[64:-48] for name in TRAIN_PANORAMAS]
    train += [photograph(name, scale) for name, scale in TRAIN_PHOTOGRAPHS.items()]
    for k, light in enumerate(train):
        out[f"train_{k}"] = levelled(light).astype(np.float16)
    test = [load_panorama(panoramas / TEST_PICTURES[0])[64:-48], photograph("Desk", 0.75), photograph("Cannon", 0.75)]
    for k, light in enumerate(test):
        out[f"test_{k}"] = levelled(light).astype(np.float16)
    rng = np.random.default_rng(5)
    patches = []
    for _ in range(600):
        light = levelled(train[rng.integers(len(train))])
        y, x = rng.integers(light.shape[0] - 16), rng.integers(light.shape[1] - 16)
        patch = light[y : y + 16, x : x + 16].reshape(256, 3)
        patches.append(patch / max(float(patch.mean()), 1e-4))
    out["colours"] = np.clip(patches, 0.002, 20).astype(np.float32)
    folder.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(folder / "real.npz", **out)


def real_tiles(real: dict[str, NDArray[Any]], side: int) -> list[F32]:
    """Tiles, side x side x 3, that cover the real pictures at three scales."""
    import cv2

    out = []
    for name in sorted(n for n in real if n.startswith("train_")):
        for scale in (1.0, 0.75, 0.5):
            light = real[name].astype(np.float32)
            if scale < 1:
                light = cv2.resize(light, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            height, width = light.shape[:2]
            padded = np.pad(light, ((0, max(0, side - height)), (0, max(0, side - width)), (0, 0)), "reflect")
            for y in range(0, max(1, height - side // 3), side):
                for x in range(0, max(1, width - side // 3), side):
                    y0, x0 = min(y, padded.shape[0] - side), min(x, padded.shape[1] - side)
                    out.append(np.ascontiguousarray(padded[y0 : y0 + side, x0 : x0 + side]))
    return out


def stand_ins() -> None:
    """Empty modules for what the package reads files with, where these are not installed: no file is read here."""
    for name in ("exiv2", "lensfunpy", "rawpy", "tifffile", "PIL", "imagecodecs"):
        if name not in sys.modules and importlib.util.find_spec(name) is None:
            sys.modules[name] = MagicMock()


def window(rng: np.random.Generator, light: F32) -> F32:
    """A random part, CROP x CROP x 3, of a picture."""
    y, x = (int(rng.integers(n - CROP + 1)) for n in light.shape[:2])
    return np.ascontiguousarray(light[y : y + CROP, x : x + CROP], np.float32)


def recoloured(rng: np.random.Generator, light: F32) -> F32:
    """Other colour and light: saturation, a tint, an exposure from deep shade to clipped."""
    grey = light.mean(axis=2, keepdims=True)
    light = np.maximum(grey + np.clip(rng.normal(0.9, 0.35), 0, 1.8) * (light - grey), 0)
    light = light * np.exp((0.5 if rng.random() < 0.15 else 0.12) * rng.normal(size=3))
    level = math.exp(rng.uniform(math.log(0.003), math.log(0.7)))
    return np.asarray(light * level / max(float(np.minimum(light, 8).mean()), 1e-4), np.float32)


def photographed(
    rng: np.random.Generator, light: F32, fixed: tuple[float, float] | None = None
) -> tuple[NDArray[np.float16], F32]:
    """Light, H x W x 3, taken by some camera and developed: IMAGES x H x W on the root scale, FACTS.

    EMVA 1288: electrons by Poisson, read noise by Gauss, cut at saturation, whole numbers. One over the full well,
    read noise, white balance and bits are drawn broadly, so that no camera and no ISO is special. `fixed`: one over
    the full well, read noise in electrons.
    """
    from clerestory.camera.noise import NoiseModel
    from clerestory.develop import learned
    from clerestory.raw.read import Mosaic

    balance = np.exp(np.array([rng.uniform(-0.2, 1.2), 0, rng.uniform(-0.2, 1.2)]))
    balance /= balance.min()
    gain, read = math.exp(rng.uniform(math.log(1 / 60000), math.log(1 / 120))), math.exp(rng.uniform(-0.36, 2.08))
    if rng.random() < 0.06:
        gain *= 1e-3
    told = math.exp(0.06 * rng.normal())  # a fitted model is never quite right
    if fixed is not None:
        (gain, read), told = fixed, 1.0
    read = min(read, math.sqrt(0.04 / gain))
    black, white = ((256, 4095), (512, 16383), (1024, 16383))[int(rng.integers(3))]
    span = white - black
    light = np.minimum(light, balance).astype(np.float32)  # what clips is left as clipped
    electrons = np.empty(light.shape[:2])
    for p, q in np.ndindex(2, 2):
        electrons[p::2, q::2] = light[p::2, q::2, p + q] / balance[p + q] / gain
    counted = rng.poisson(electrons) + read * rng.normal(size=electrons.shape)
    raw = np.clip(np.rint(counted * gain * span + black), 0, white).astype(np.uint16)
    noise = NoiseModel((gain * span * told * told,) * 4, (math.hypot(read * gain * span, 12**-0.5) * told,) * 4)
    cfa, levels = np.array([[0, 1], [3, 2]], np.int8), (np.full(4, float(black)), np.full(4, float(white)))
    multipliers = (float(balance[0]), float(balance[1]), float(balance[2]))
    mosaic = Mosaic(raw, cfa, *levels, multipliers, multipliers, None)
    foot, sigma = learned.noise_told(noise, balance, levels[1][:3] - levels[0][:3], 1.0)
    first = learned.first_answer(mosaic, noise, multipliers, 1.0)
    seen = (raw.astype(np.float32) - black) / span
    for p, q in np.ndindex(2, 2):
        seen[p::2, q::2] *= balance[p + q]
    planes = np.stack([seen, *first.transpose(2, 0, 1), *light.transpose(2, 0, 1)])
    planes = np.sqrt(np.maximum(planes + foot, 0)) - math.sqrt(foot)
    return planes.astype(np.float16), np.append(sigma, 0.5 * math.sqrt(gain)).astype(np.float32)


LEVELS = {"none": (1e-8, 1.0), "800": (4 / 25500, 1.8), "3200": (16 / 25500, 1.8), "6400": (32 / 25500, 1.8),
          "25600": (128 / 25500, 1.8)}  # fmt: skip


def judged(real: dict[str, NDArray[Any]], side: int = 224) -> list[F32]:
    """Tiles, side x side x 3, of the light that is not trained on, exposed as a meter would."""
    out = []
    for name in sorted(n for n in real if n.startswith("test_")):
        light = real[name].astype(np.float32)
        for y in range(32, light.shape[0] - side, side // 2):
            for x in range(16, light.shape[1] - side, side // 2):
                tile = light[y : y + side, x : x + side]
                out.append(tile * np.float32(0.18 / max(float(np.minimum(tile, 8).mean()), 1e-4)))
    return out


def worker(
    number: int, count: int, judged_by: int, seed: int, paths: tuple[Path, Path, Path], ways: tuple[Any, Any, Any]
) -> None:
    """Worker `number` of `count`: its share of what is judged, if it is of the first `judged_by`, then pictures into
    free slots, for ever."""
    import cv2

    stand_ins()
    import scenes

    cv2.setNumThreads(1)
    if hasattr(os, "sched_setaffinity"):  # one core each: the package then works without threads
        cores = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {cores[(number + 1) % len(cores)]})
    with np.load(paths[0]) as file:
        real = {name: file[name] for name in file.files}
    free, ready, judge = ways
    for k, light in list(enumerate(judged(real)))[number::judged_by] if number < judged_by else []:
        for j, fixed in enumerate(LEVELS.values()):
            judge.put((j, *photographed(np.random.default_rng([k, j]), light, fixed)))
    tiles, colours = real_tiles(real, scenes.SIDE), real["colours"]
    images, facts = (np.load(path, mmap_mode="r+") for path in paths[1:])
    rng = np.random.default_rng([seed, number, 11])
    for k in itertools.count():
        made = np.asarray(scenes.picture(seed + number + k * count, colours), np.float32)
        if not np.isfinite(made).all():
            continue
        for light in [made] * MADE + [tiles[int(rng.integers(len(tiles)))] for _ in range(REAL)]:
            planes, told = photographed(rng, recoloured(rng, np.minimum(window(rng, light), 1000)))
            slot = free.get()
            images[slot], facts[slot] = planes, told
            ready.put(slot)


def crops(torch: Any, pool: Any, which: Any, side: int) -> Any:
    """Random crops, N x IMAGES x side x side, turned and mirrored, of a pool; red stays first in its cell."""
    count, device = len(which), pool.device
    a = torch.arange(side, device=device)
    y, x = a[None, :, None].expand(count, side, side), a[None, None, :].expand(count, side, side)
    flip_y, flip_x, swap = (torch.rand(count, 1, 1, device=device) < 0.5 for _ in range(3))
    y, x = torch.where(swap, x, y), torch.where(swap, y, x)
    places = []
    for at, flip in ((y, flip_y), (x, flip_x)):
        first = 2 * torch.randint((CROP - side) // 2, (count, 1, 1), device=device)
        places.append(torch.where(flip, first + side - at, first + at))  # from an odd end back: columns keep step
    return pool[which[:, None, None], :, places[0], places[1]].permute(0, 3, 1, 2).float()


def given_of(torch: Any, images: Any, facts: Any) -> Any:
    """What the network is given, N x INPUTS x h/2 x w/2."""
    cells = torch.nn.functional.pixel_unshuffle(images[:, :4], 2)
    maps = facts[:, :3, None, None].expand(-1, -1, *cells.shape[2:])
    return torch.cat([cells, maps], 1).contiguous(memory_format=torch.channels_last)


def loss_of(torch: Any, said: Any, truth: Any, sigma: Any, soft: float) -> Any:
    """Charbonnier distance, each picture weighed by about what can be reached at its noise; up to `soft` times that
    it is the square that counts."""
    reach = (0.25 * sigma + 0.003)[:, None, None, None]
    return 0.006 * ((((said - truth) / reach) ** 2 + soft * soft + 1e-4).sqrt() - soft).mean()


class Judge:
    """Peak signal to noise, dB, on the network's scale, on light that it is not trained on."""

    def __init__(self, torch: Any, found: list[tuple[int, NDArray[np.float16], F32]], device: Any) -> None:
        self.torch, self.levels = torch, []  # type: ignore[var-annotated]
        for level in range(len(LEVELS)):
            some = [item for item in found if item[0] == level]
            self.levels.append([torch.from_numpy(np.stack([np.asarray(v[k], np.float32) for v in some])).to(device)
                                for k in (1, 2)])  # fmt: skip

    def _said(self, net: Any, images: Any, facts: Any) -> float:
        torch = self.torch
        with torch.no_grad():
            if net is None:
                said = images[:, 1:4]
            else:
                some = zip(images.split(16), facts.split(16), strict=True)
                said = torch.cat([net(given_of(torch, *part)).float() for part in some])
        error = ((said - images[:, 4:7])[..., 8:-8, 8:-8] ** 2).mean((1, 2, 3))
        return float((-10 * error.log10()).mean())

    def __call__(self, net: Any) -> list[float]:
        """By LEVELS; None: what the default says."""
        return [self._said(net, images, facts) for images, facts in self.levels]


def told(values: list[float]) -> str:
    """Decibels in words."""
    return ", ".join(f"{name} {v:.2f}" for name, v in zip(LEVELS, values, strict=True))


def place_among() -> tuple[int, int]:
    """Which of how many devices this process drives, as torchrun tells it."""
    return int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))


class Pool:
    """Developed pictures on the device, the oldest replaced as new ones come."""

    def __init__(self, torch: Any, folder: Path, device: Any, asked: argparse.Namespace, seed: int) -> None:
        self.torch, self.seen = torch, 0
        rank, ranks = place_among()
        apart = multiprocessing.get_context("spawn")
        self.free, self.ready, judge = (apart.SimpleQueue() for _ in range(3))
        place = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
        paths = (folder / "real.npz", place / "images.npy", place / "facts.npy")
        shapes = ((np.float16, (SLOTS, IMAGES, CROP, CROP)), (np.float32, (SLOTS, FACTS)))
        self.slots = [np.lib.format.open_memmap(path, "w+", *how)
                      for path, how in zip(paths[1:], shapes, strict=True)]  # fmt: skip
        for slot in range(SLOTS):
            self.free.put(slot)
        ways = (self.free, self.ready, judge)
        self.workers = [
            apart.Process(
                target=worker,
                daemon=True,
                args=(rank * asked.workers + k, ranks * asked.workers, asked.workers, seed, paths, ways),
            )
            for k in range(asked.workers)
        ]
        self.workers[0].start()
        with np.load(paths[0]) as file:
            count = len(LEVELS) * len(judged({name: file[name] for name in file.files}))
        found = [judge.get()] if rank == 0 else []
        for process in self.workers[1:]:  # by now the compiled code is there for these too
            process.start()
        self.judge = Judge(torch, found + [judge.get() for _ in range(count - 1)], device) if rank == 0 else None
        self.images, self.facts = (
            torch.zeros((asked.pool, *slots.shape[1:]), dtype=torch.from_numpy(slots[:1]).dtype, device=device)
            for slots in self.slots
        )
        while self.seen < asked.pool // 16:
            self._take([self.ready.get()])

    def _take(self, slots: list[int]) -> None:
        for pool, come in zip((self.images, self.facts), self.slots, strict=True):
            new = self.torch.from_numpy(come[slots])
            new = new.pin_memory() if pool.is_cuda else new
            for k in range(len(slots)):
                pool[(self.seen + k) % len(pool)].copy_(new[k], non_blocking=True)
        for slot in slots:
            self.free.put(slot)
        self.seen += len(slots)

    def refresh(self, most: int = 8) -> None:
        """Takes in what has come."""
        slots: list[int] = []
        while len(slots) < most and not self.ready.empty():
            slots.append(self.ready.get())
        if slots:
            self._take(slots)

    def batch(self, count: int, side: int) -> tuple[Any, Any]:
        """Crops and their facts."""
        which = self.torch.randint(min(self.seen, len(self.images)), (count,), device=self.images.device)
        return crops(self.torch, self.images, which, side), self.facts[which]


class Learner:
    """One network in training: its weights, their steady mean over the last thousand steps, and what moves them."""

    def __init__(self, torch: Any, how: str, name: Path, device: Any, plain: bool) -> None:
        from network import Network

        channels, blocks, soft = how.split("/")
        shape = INPUTS, tuple(map(int, channels.split(","))), tuple(map(int, blocks.split(",")))
        self.torch, self.how, self.name, self.step = torch, how, name, 0
        self.net = Network(*shape).to(device, memory_format=torch.channels_last)
        self.steady = Network(*shape).to(device)
        for module, path in ((self.net, self._path("_live")), (self.steady, self._path(""))):
            if path.exists():
                with np.load(path) as file:
                    self.step = int(file["step"])
                    named = {key: np.asarray(file[key], np.float32) for key in file.files if key != "step"}
                    module.load_state_dict({key: torch.from_numpy(value) for key, value in named.items()})
        self.began = self.step
        if not self.step:
            self.steady.load_state_dict(self.net.state_dict())
        self.cuda, self.graph, self.fresh, self.rounding = device.type == "cuda" and not plain, None, 0, False
        self.rate = torch.tensor(1e-3, device=device)
        self.best = torch.optim.AdamW(self.net.parameters(), lr=self.rate, betas=(0.9, 0.99), weight_decay=1e-4,
                                      fused=self.cuda, capturable=self.cuda)  # fmt: skip
        self.both = list(self.steady.parameters()), list(self.net.parameters())

        def forward(images: Any, facts: Any) -> Any:
            given = given_of(torch, images, facts)
            with torch.autocast(device.type, torch.bfloat16, enabled=self.cuda):
                said = self.net(given)
            return loss_of(torch, said.float(), images[:, 4:7], facts[:, 3], float(soft))

        self.forward = torch.compile(forward) if self.cuda else forward

    def _moved(self, images: Any, facts: Any) -> Any:
        loss = self.forward(images, facts)
        loss.backward()
        self.torch.nn.utils.clip_grad_norm_(self.net.parameters(), 0.5)
        self.best.step()
        return loss

    def _record(self, images: Any, facts: Any) -> None:
        """One step as a graph of the device: to play it takes a third of the time."""
        cuda = self.torch.cuda
        self.given = images.clone(), facts.clone()
        beside = cuda.Stream()
        beside.wait_stream(cuda.current_stream())
        with cuda.stream(beside):
            for _ in range(3):
                self.best.zero_grad(set_to_none=True)
                self._moved(*self.given)
        cuda.current_stream().wait_stream(beside)
        self.best.zero_grad(set_to_none=True)
        self.graph = cuda.CUDAGraph()
        with cuda.graph(self.graph, capture_error_mode="thread_local"):
            self.loss = self._moved(*self.given).detach()

    def learn(self, images: Any, facts: Any, rate: float) -> Any:
        """One step at a rate of learning; the loss."""
        self.rate.fill_(rate * min(1.0, (self.step + 1) / 500, (self.step - self.began + 1) / 200) + 1e-7)
        if self.cuda and self.graph is None and self.fresh == 20:
            self._record(images, facts)
        if self.graph is None:
            self.best.zero_grad(set_to_none=True)
            self.loss = self._moved(images, facts).detach()
        else:
            for place, new in zip(self.given, (images, facts), strict=True):
                place.copy_(new)
            self.graph.replay()
        self.step, self.fresh = self.step + 1, self.fresh + 1
        with self.torch.no_grad():
            keep = min(0.999, self.step / (self.step + 100))
            self.torch._foreach_lerp_(*self.both, 1 - keep)
        return self.loss

    def meet(self) -> None:
        """Takes the mean of what all devices learned since they last met, and of how they move."""
        torch = self.torch
        with torch.no_grad():
            states = [self.best.state[p] for p in self.both[1]]
            ours = [*self.both[1], *(s[key] for key in ("exp_avg", "exp_avg_sq") for s in states)]
            flat = torch.cat([t.reshape(-1) for t in ours])
            torch.distributed.all_reduce(flat)
            flat /= torch.distributed.get_world_size()
            parts = [p.reshape(t.shape) for p, t in zip(flat.split([t.numel() for t in ours]), ours, strict=True)]
            torch._foreach_copy_(ours, parts)

    def look(self, pool: Pool, asked: argparse.Namespace, new: float) -> None:
        """Lets every held tensor's reach follow, by the share `new`, the mean of what some batches reach."""
        from network import each_held

        torch, held = self.torch, each_held(self.net)
        for one in held:
            one.rounding, one.seen = False, []
        with torch.no_grad(), torch.autocast(self.rate.device.type, torch.bfloat16, enabled=self.cuda):
            for _ in range(WATCHED):
                images, facts = pool.batch(asked.batch, asked.side)
                self.net(given_of(torch, images, facts))
        for one, steady in zip(held, each_held(self.steady), strict=True):
            reach = torch.stack(one.seen).mean()
            if place_among()[1] > 1:
                torch.distributed.all_reduce(reach)
                reach /= torch.distributed.get_world_size()
            one.reach.lerp_(reach.clamp_min(LEAST), new)
            steady.reach.copy_(one.reach)
            one.rounding, one.seen = self.rounding, None

    def round_from_now(self, pool: Pool, asked: argparse.Namespace) -> None:
        """From here on it learns as rounded."""
        from network import each_held

        self.rounding = True
        self.look(pool, asked, 1.0)
        for one in each_held(self.steady):
            one.rounding = True
        self.graph, self.fresh = None, 0

    def _path(self, more: str) -> Path:
        return self.name.with_name(f"{self.name.name}{more}.npz")

    def save(self) -> None:
        """Leaves NAME.npz, the steady mean, and NAME_live.npz, with which to go on."""
        for module, more in ((self.net, "_live"), (self.steady, "")):
            spare = self._path(more + "_new")
            np.savez(spare, step=self.step, **parts(module))  # type: ignore[arg-type]
            spare.replace(self._path(more))


def parts(net: Any) -> dict[str, NDArray[Any]]:
    """Weights as float16 arrays by name, reaches as float32."""
    kinds = {name: np.float32 if name.endswith("reach") else np.float16 for name in net.state_dict()}
    values = {name: value.detach().float().cpu().numpy() for name, value in net.state_dict().items()}
    return {name: value.astype(kinds[name]) for name, value in values.items()}


def _begun(torch: Any, asked: argparse.Namespace) -> tuple[Learner, Pool, Any]:
    """The learner, its pictures and its device."""
    rank, ranks = place_among()
    torch.manual_seed(asked.seed)
    torch.set_num_threads(1)
    torch.backends.cudnn.benchmark = True
    cuda = torch.cuda.is_available()
    device = torch.device(f"cuda:{rank}" if cuda else "cpu")
    if cuda:
        torch.cuda.set_device(device)
    if ranks > 1:
        torch.distributed.init_process_group("nccl" if cuda else "gloo")
    learner = Learner(torch, asked.net, asked.folder / asked.name, device, asked.plain)
    torch.manual_seed(asked.seed + learner.step + 1000 * rank)
    pool = Pool(torch, asked.folder, device, asked, (asked.seed * 1000 + learner.step // 100) * 1_000_000)
    return learner, pool, device


def _told_between(
    learner: Learner, pool: Pool, asked: argparse.Namespace, when: str, loss: float, done: float
) -> None:
    """Lets reaches follow, prints how far it is, and saves."""
    if learner.rounding and done < asked.settled:
        learner.look(pool, asked, 0.5)
    if place_among()[0] == 0:
        kind = "rounded" if learner.rounding else "whole"
        seen = f"{learner.step}: {when}, {pool.seen} pictures, loss {loss:.5f}, {kind}"
        print(f"{seen}; dB {told(pool.judge(learner.steady))}", flush=True)
        learner.save()


def train(asked: argparse.Namespace) -> None:
    """Train, or go on training, for `minutes`; the rate follows a cosine over them, down to nothing.

    Under torchrun several devices learn side by side, each from pictures of its own, and meet every few steps (Stich
    2019, "Local SGD converges fast and communicates little").
    """
    import torch

    began, (rank, ranks) = time.time(), place_among()
    learner, pool, device = _begun(torch, asked)
    if rank == 0:
        print(f"# {learner.how}: {sum(p.numel() for p in learner.net.parameters())} weights")
        print(f"# ready in {time.time() - began:.0f} s; dB of the default: {told(pool.judge(None))}", flush=True)
    start, count, share, rate = time.time(), 0, torch.zeros((), device=device), 0.0
    while True:
        if count % MEET == 0:
            share.fill_((time.time() - start) / (60 * asked.minutes))
            if ranks > 1:
                torch.distributed.broadcast(share, 0)
            if float(share) >= 1:
                break
            if not learner.rounding and float(share) >= asked.rounded:
                learner.round_from_now(pool, asked)
            rate = asked.rate * (0.5 + 0.5 * math.cos(math.pi * float(share)))
        loss = learner.learn(*pool.batch(asked.batch, asked.side), rate)
        pool.refresh()
        count += 1
        if ranks > 1 and count % MEET == 0:
            learner.meet()
        if count % asked.tell == 0:
            _told_between(learner, pool, asked, f"{time.time() - began:.0f} s", float(loss), float(share))
    for process in pool.workers:
        process.terminate()
    if rank == 0:
        learner.save()
        print(f"# stopped at step {learner.step}; dB {told(pool.judge(learner.steady))}", flush=True)
    if ranks > 1:
        torch.distributed.destroy_process_group()


def margins(weights: dict[str, NDArray[Any]]) -> tuple[int, list[int]]:
    """How many cells about its middle the network must be given, and how many, of its own size, each scale keeps on
    the way back: what lies further out cannot be seen from the middle, so that tiles of any size give the same.

    Each 3 x 3 convolution sees one further; halving and doubling see none.
    """
    scales = sum(name.startswith("down.") and name.endswith("weight") for name in weights)

    def seen(part: str) -> int:
        return 2 * sum(name.startswith(part + ".") and name.endswith("first.weight") for name in weights)

    keep, need = [], 1  # the last convolution
    for k in range(scales):
        keep.append(-(-(need + seen(f"after.{k}")) // 2) * 2)  # even: doubled from whole cells of the next scale
        need = keep[-1] // 2
    need += seen(f"before.{scales}")
    for k in reversed(range(scales)):
        need = 2 * need + seen(f"before.{k}")
    whole = 2**scales
    return -(-(need + 1) // whole) * whole, keep  # one more for the first convolution


class Graph:
    """An ONNX graph of trained weights, written node by node.

    Its first and last convolutions are stored as float16 and used as float32. All others are whole numbers of eight
    bits, as they were learned: `within` a tensor's zero is at 0, elsewhere at 128.
    """

    def __init__(self, weights: dict[str, NDArray[Any]]) -> None:
        self.weights, self.nodes, self.stored = weights, [], {}  # type: ignore[var-annotated]

    def node(self, kind: str, given: list[str], **how: Any) -> str:
        """One operation; the name of its result."""
        from onnx import helper

        name = f"t{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, given, [name], **how))
        return name

    def store(self, name: str, value: Any) -> str:
        """A constant, once; its name."""
        from onnx import numpy_helper

        self.stored.setdefault(name, numpy_helper.from_array(np.asarray(value), name))
        return name

    def wide(self, x: str, name: str, beyond: int = 0) -> str:
        """A convolution, 3 x 3, with float weights; `beyond`: cells of nothing about it, else it loses the rim."""
        from onnx import TensorProto

        given = [x]
        for part in ("weight", "bias"):
            half = self.store(f"{name}.{part}", self.weights[f"{name}.{part}"].astype(np.float16))
            given.append(self.node("Cast", [half], to=TensorProto.FLOAT))
        return self.node("Conv", given, kernel_shape=[3, 3], pads=[beyond] * 4)

    def step(self, held: str) -> tuple[float, list[str]]:
        """Of a held tensor: its step, and the names of this and of its zero."""
        low = 0 if held == "held" or held.endswith(".within") else -128
        step = np.float32(self.weights[f"{held}.reach"]) / np.float32(LARGEST[low])
        return float(step), [self.store(f"{held}.step", step), self.store(f"zero.{-low}", np.uint8(-low))]

    def conv(self, x: str, held: str, name: str, out: str, stride: int = 1) -> str:
        """A convolution in whole numbers, of what is held as `held` to what is held as `out`."""
        weight, bias = (self.weights[f"{name}.{part}"].astype(np.float64) for part in ("weight", "bias"))
        size = np.maximum(np.abs(weight).max((1, 2, 3)), LEAST) / MOST_WEIGHT
        whole = np.rint(weight / size[:, None, None, None]).astype(np.int8)
        step, names = self.step(held)
        given = [x, *names, self.store(f"{name}.weight", whole), self.store(f"{name}.size", size.astype(np.float32)),
                 self.store(f"{name}.zero", np.zeros(len(size), np.int8)), *self.step(out)[1],
                 self.store(f"{name}.bias", np.rint(bias / (step * size)).astype(np.int32))]  # fmt: skip
        side = weight.shape[-1]
        pads = [int(side == 3)] * 4
        return self.node("QLinearConv", given, kernel_shape=[side, side], strides=[stride, stride], pads=pads)

    def add(self, x: str, held: str, y: str, more: str, out: str) -> str:
        """The sum of two held tensors."""
        given = [x, *self.step(held)[1], y, *self.step(more)[1], *self.step(out)[1]]
        return self.node("QLinearAdd", given, domain="com.microsoft")

    def blocks(self, x: str, held: str, name: str) -> tuple[str, str]:
        """The residual blocks of one scale; the result and as what it is held."""
        k = 0
        while f"{name}.{k}.first.weight" in self.weights:
            part = f"{name}.{k}"
            y = self.conv(x, held, f"{part}.first", f"{part}.within")
            y = self.conv(y, f"{part}.within", f"{part}.second", f"{part}.more")
            x, held = self.add(x, held, y, f"{part}.more", f"{part}.sum"), f"{part}.sum"
            k += 1
        return x, held

    def cut(self, x: str, cells: int) -> str:
        """Without so many cells on every side."""
        if not cells:
            return x
        begin, end = self.store(f"from.{cells}", np.full(2, cells)), self.store(f"to.{cells}", np.full(2, -cells))
        return self.node("Slice", [x, begin, end, self.store("axes", np.array([2, 3]))])

    def shuffled(self, x: str) -> str:
        """Four channels to 2 x 2 pixels."""
        return self.node("DepthToSpace", [x], blocksize=2, mode="CRD")


def export(source: Path, out: Path) -> None:
    """The ONNX file of trained weights: `given`, 1 x 19 x h x w, to `light`, 1 x 3 x 2 (h - 2 m) x 2 (w - 2 m).

    m: the margin, told as the file's `doc_string`; h, w: multiples of what the scales halve.
    """
    from onnx import TensorProto, helper

    with np.load(source) as file:
        weights = {name: file[name] for name in file.files if name != "step"}
    graph = Graph(weights)
    margin, keep = margins(weights)
    x = graph.node("QuantizeLinear", [graph.wide("given", "head", 1), *graph.step("held")[1]])
    held, kept = "held", []
    for k in range(len(keep) + 1):
        x, held = graph.blocks(x, held, f"before.{k}")
        if k < len(keep):
            kept.append((x, held))
            x, held = graph.conv(x, held, f"down.{k}", f"lower.{k}", 2), f"lower.{k}"
    have = margin >> len(keep)
    for k in reversed(range(len(keep))):
        x = graph.cut(x, have - keep[k] // 2)
        x = graph.shuffled(graph.conv(x, held, f"up.{k}", f"upper.{k}"))
        same, how = kept[k]
        x = graph.add(x, f"upper.{k}", graph.cut(same, (margin >> k) - keep[k]), how, f"sum.{k}")
        (x, held), have = graph.blocks(x, f"sum.{k}", f"after.{k}"), keep[k]
    x = graph.node("DequantizeLinear", [graph.cut(x, have - 1), *graph.step(held)[1]])
    past = graph.wide(graph.cut("given", margin - 1), "past")  # the last to be asked for, so that it need not be kept
    x = graph.shuffled(graph.node("Add", [graph.wide(x, "tail"), past]))
    graph.nodes.append(helper.make_node("Identity", [x], ["light"]))
    inputs = [helper.make_tensor_value_info("given", TensorProto.FLOAT, [1, INPUTS, "h", "w"])]
    outputs = [helper.make_tensor_value_info("light", TensorProto.FLOAT, [1, 3, "h2", "w2"])]
    body = helper.make_graph(graph.nodes, "mosaic to light", inputs, outputs, list(graph.stored.values()))
    sets = [helper.make_opsetid("", 17), helper.make_opsetid("com.microsoft", 1)]
    model = helper.make_model(body, opset_imports=sets, producer_name="clerestory", doc_string=f"margin {margin}")
    model.ir_version = 9
    out.write_bytes(model.SerializeToString(deterministic=True))
    print(f"{out}: {out.stat().st_size / 1e6:.2f} MB, margin {margin} cells")


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ways = parser.add_subparsers(dest="way", required=True)
    way = ways.add_parser("gather")
    for name in ("folder", "panoramas", "photographs"):
        way.add_argument(name, type=Path)
    way = ways.add_parser("train")
    way.add_argument("folder", type=Path)
    way.add_argument("--name", default="net")
    way.add_argument("--minutes", type=float, default=27)
    way.add_argument("--net", default=NET, help="channels/blocks/softness of the distance")
    way.add_argument("--rounded", type=float, default=0.65, help="share of the minutes from which it learns rounded")
    way.add_argument("--settled", type=float, default=0.75, help="share from which reaches are left as they are")
    way.add_argument("--batch", type=int, default=64)
    way.add_argument("--side", type=int, default=192)
    way.add_argument("--rate", type=float, default=8e-4)
    way.add_argument("--pool", type=int, default=12000, help="developed pictures kept on the device")
    way.add_argument("--workers", type=int, default=15)
    way.add_argument("--tell", type=int, default=1000)
    way.add_argument("--seed", type=int, default=1)
    way.add_argument("--plain", action="store_true", help="without torch.compile")
    way = ways.add_parser("export")
    way.add_argument("weights", type=Path)
    way.add_argument("out", type=Path)
    asked = parser.parse_args()
    if asked.way == "gather":
        gather(asked.folder, asked.panoramas, asked.photographs)
    elif asked.way == "train":
        train(asked)
    else:
        export(asked.weights, asked.out)


if __name__ == "__main__":
    main()
