"""How the network of `clerestory.develop.learned` was made: a mosaic in, linear camera RGB out.

    python bench/train.py gather FOLDER PANORAMAS PHOTOGRAPHS   real light, once: FOLDER/real.npz
    python bench/train.py train FOLDER --steps 59000            FOLDER/net.pt, net.npz; goes on where it was
    python bench/train.py export FOLDER/net.npz OUT.onnx

`train` wants PyTorch and a CUDA device (a processor serves for a try), `export` the `onnx` package; neither is needed
to use the network. `--seed` fixes weights and pictures; workers deliver pictures as they get ready, so that two runs
agree in kind, not in bytes. The log of the run that made the packaged weights is beside this file, train.log.

What it saw, all linear light:
- made up by bench/scenes.py: dead leaves (Achddou, Gousseau, Ladjal 2023), cut and painted stone, leaded glass, views
  in the modelled churches of seeds 100 to 159;
- panoramas of Poly Haven, CC0: thatch_chapel_1k, old_hall_1k, drachenfels_cellar_1k, leadenhall_market_1k;
- photographs of the OpenEXR project (openexr-images, BSD-3-Clause, Industrial Light & Magic and contributors):
  Bonita, CandleGlass, Carrots, GoldenGate, KernerEnvLatLong, MtTamWest, StageEnvLatLong, StillLife, Tree.
What it did not see, and is judged on: vestibule_1k (CC0); Desk and Cannon of openexr-images; the modelled church of
seed 1; scikit-image's photographs; any real raw frame.

Regression alone: the mean distance (Charbonnier) to the truth, on the scale the network works in. No adversary, no
perceptual measure: where light lies under the noise, the best answer by this measure is smooth.
"""

from __future__ import annotations

import argparse
import itertools
import math
import multiprocessing
import queue
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]

CHANNELS = (48, 64, 128, 192)
BLOCKS = (1, 1, 1, 2)
INPUTS = 7  # four samples of a 2 x 2 cell, the noise of red, green and blue
SIGMA_SCALE = np.float32(10)  # the noise maps are brought to the size of the samples
FOOT = 3e-4  # least offset of the root scale, of saturation: keeps its slope finite where there is no noise

TRAIN_PANORAMAS = ("thatch_chapel_1k.hdr", "old_hall_1k.exr", "drachenfels_cellar_1k.hdr", "leadenhall_market_1k.hdr")
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


def worker(first: int, step: int, colours: F32, out: Any) -> None:
    """Pictures of seeds first, first + step, ... as float16 into a queue, for ever."""
    import cv2

    import scenes

    cv2.setNumThreads(1)
    seed = first
    while True:
        made = scenes.picture(seed, colours)
        if np.isfinite(made).all():
            out.put(np.minimum(made, 1000).astype(np.float16))
        seed += step


def network(channels: tuple[int, ...] = CHANNELS, blocks: tuple[int, ...] = BLOCKS) -> Any:
    """The network as a PyTorch module: four scales of plain residual blocks, and a linear way past them."""
    import torch
    from torch import nn

    class Block(nn.Module):
        def __init__(self, c: int) -> None:
            super().__init__()
            self.first, self.second = nn.Conv2d(c, c, 3, padding=1), nn.Conv2d(c, c, 3, padding=1)
            nn.init.zeros_(self.second.bias)
            self.second.weight.data *= 0.1

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            return x + self.second(torch.relu(self.first(x)))

    class Net(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.past = nn.Conv2d(INPUTS, 12, 3, padding=1)
            self.head = nn.Conv2d(INPUTS, channels[0], 3, padding=1)
            self.down = nn.ModuleList(nn.Conv2d(a, b, 2, 2) for a, b in itertools.pairwise(channels))
            self.up = nn.ModuleList(nn.Conv2d(b, 4 * a, 1) for a, b in itertools.pairwise(channels))
            self.before = nn.ModuleList(
                nn.Sequential(*(Block(c) for _ in range(n))) for c, n in zip(channels, blocks, strict=True)
            )
            self.after = nn.ModuleList(
                nn.Sequential(*(Block(c) for _ in range(n))) for c, n in zip(channels[:-1], blocks[:-1], strict=True)
            )
            self.tail = nn.Conv2d(channels[0], 12, 3, padding=1)

        def forward(self, given: torch.Tensor) -> torch.Tensor:
            x = torch.relu(self.head(given))
            kept = []
            for k, part in enumerate(self.before):
                x = part(x)
                if k < len(self.down):
                    kept.append(x)
                    x = self.down[k](x)
            for k in reversed(range(len(self.up))):
                x = self.after[k](nn.functional.pixel_shuffle(self.up[k](x), 2) + kept[k])
            return nn.functional.pixel_shuffle(self.tail(x) + self.past(given), 2)

    return Net()


def crops(torch: Any, pool: Any, count: int, side: int) -> Any:
    """Random crops, count x 3 x side x side, turned and mirrored at random, of a pool N x 3 x H x W."""
    device = pool.device
    which = torch.randint(len(pool), (count, 1, 1), device=device)
    size = pool.shape[-1]
    y0, x0 = (torch.randint(size - side + 1, (count, 1, 1), device=device) for _ in range(2))
    a = torch.arange(side, device=device)
    y, x = a[None, :, None].expand(count, side, side), a[None, None, :].expand(count, side, side)
    flip_y, flip_x, swap = (torch.rand(count, 1, 1, device=device) < 0.5 for _ in range(3))
    y, x = torch.where(swap, x, y), torch.where(swap, y, x)
    y, x = torch.where(flip_y, side - 1 - y, y), torch.where(flip_x, side - 1 - x, x)
    return pool[which, :, y0 + y, x0 + x].permute(0, 3, 1, 2).float()


def recoloured(torch: Any, light: Any) -> Any:
    """Other colour and light: saturation, a tint, an exposure from deep shade to clipped."""
    n, device = len(light), light.device

    def normal(*shape: int) -> Any:
        return torch.randn(*shape, device=device)

    grey = light.mean(1, keepdim=True)
    amount = (0.9 + 0.35 * normal(n, 1, 1, 1)).clamp(0, 1.8)
    light = (grey + amount * (light - grey)).clamp(min=0)
    spread = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.15, 0.5, 0.12)
    light = light * torch.exp(spread * normal(n, 3, 1, 1))
    level = torch.exp(torch.empty(n, 1, 1, 1, device=device).uniform_(math.log(0.003), math.log(0.7)))
    return light * level / light.clamp(max=8).mean((1, 2, 3), keepdim=True).clamp(min=1e-4)


def photographed(torch: Any, light: Any, fixed: tuple[float, float] | None = None) -> tuple[Any, Any, Any]:
    """What the network is given (n x 7 x h/2 x w/2), what it should say (n x 3 x h x w), the noise (n x 1 x 1 x 1).

    EMVA 1288: electrons by Poisson, read noise by Gauss, cut at saturation. One over the full well, read noise and
    white balance are drawn broadly, so that no camera and no ISO is special. `fixed`: one over the full well, read
    noise in electrons.
    """
    n, device = len(light), light.device

    def uniform(low: float, high: float, *shape: int) -> Any:
        return torch.empty(n, *(shape or (1, 1, 1)), device=device).uniform_(low, high)

    balance = torch.cat([torch.exp(uniform(-0.2, 1.2)), torch.ones(n, 1, 1, 1, device=device),
                         torch.exp(uniform(-0.2, 1.2))], 1)  # fmt: skip
    balance = balance / balance.amin(1, keepdim=True)
    gain = torch.exp(uniform(math.log(1 / 60000), math.log(1 / 120)))
    read = torch.exp(uniform(math.log(0.7), math.log(8.0)))
    gain = torch.where(uniform(0, 1) < 0.06, gain * 1e-3, gain)
    if fixed is not None:
        gain, read = torch.full_like(gain, fixed[0]), torch.full_like(read, fixed[1])
    read = torch.minimum(read, (0.04 / gain).sqrt())
    light = torch.minimum(light, balance)  # what clips is left as clipped
    electrons = light / balance / gain
    several = torch.poisson(electrons.clamp(max=1e6))
    counted = torch.where(electrons < 1e5, several, electrons + electrons.sqrt() * torch.randn_like(electrons))
    raw = ((counted + read * torch.randn_like(counted)) * gain).clamp(max=1.0) * balance
    foot = (gain * (read * read + 0.375)).clamp(min=FOOT)
    told = torch.exp(0.06 * torch.randn(n, 1, 1, 1, device=device))  # a fitted model is never quite right
    sigma = 0.5 * (gain * balance).sqrt() * told

    def scale(v: Any) -> Any:
        return (v + foot).clamp(min=0).sqrt() - foot.sqrt()

    x = scale(raw)
    cell = [x[:, 0, 0::2, 0::2], x[:, 1, 0::2, 1::2], x[:, 1, 1::2, 0::2], x[:, 2, 1::2, 1::2]]
    maps = (sigma * float(SIGMA_SCALE)).expand(-1, -1, cell[0].shape[1], cell[0].shape[2])
    return torch.cat([torch.stack(cell, 1), maps], 1), scale(light), 0.5 * gain.sqrt()


def loss_of(torch: Any, said: Any, truth: Any, sigma: Any) -> Any:
    """Charbonnier distance, each picture weighed by about what can be reached at its noise."""
    weight = 0.006 / (0.25 * sigma + 0.003)
    return (weight * ((said - truth) ** 2 + 1e-6).sqrt()).mean()


LEVELS = {"none": (1e-8, 1.0), "800": (4 / 25500, 1.8), "6400": (32 / 25500, 1.8), "25600": (128 / 25500, 1.8)}


class Judge:
    """Peak signal to noise, dB, on the network's scale, on light that it is not trained on."""

    def __init__(self, torch: Any, real: dict[str, NDArray[Any]], device: Any) -> None:
        self.torch = torch
        tiles = []
        for name in sorted(n for n in real if n.startswith("test_")):
            light = real[name].astype(np.float32)
            for y in range(32, light.shape[0] - 224, 224):
                tiles += [light[y : y + 224, x : x + 224] for x in range(16, light.shape[1] - 224, 224)]
        light = torch.from_numpy(np.stack(tiles).transpose(0, 3, 1, 2)).to(device)
        self.light = light * 0.18 / light.clamp(max=8).mean((1, 2, 3), keepdim=True).clamp(min=1e-4)

    def __call__(self, net: Any) -> str:
        torch = self.torch
        out = []
        state = torch.random.get_rng_state(), torch.cuda.get_rng_state() if self.light.is_cuda else None
        torch.manual_seed(1)
        for name, fixed in LEVELS.items():
            given, truth, _ = photographed(torch, self.light, fixed)
            with torch.no_grad():
                said = torch.cat([net(part).float() for part in given.split(16)])
            error = ((said - truth)[..., 8:-8, 8:-8] ** 2).mean((1, 2, 3))
            out.append(f"{name} {float((-10 * error.log10()).mean()):.2f}")
        torch.random.set_rng_state(state[0])
        if state[1] is not None:
            torch.cuda.set_rng_state(state[1])
        return ", ".join(out)


class Pool:
    """Pictures on the device: the real ones stay, the made-up ones are replaced as new ones come."""

    def __init__(self, torch: Any, folder: Path, device: Any, size: int, workers: int, seed: int) -> None:
        import scenes

        self.torch = torch
        with np.load(folder / "real.npz") as file:
            self.real = {name: file[name] for name in file.files}
        tiles = real_tiles(self.real, scenes.SIDE)
        apart = multiprocessing.get_context("spawn")
        self.queue: Any = apart.Queue(64)
        colours = self.real["colours"]
        self.workers = [
            apart.Process(target=worker, args=(seed + k, workers, colours, self.queue), daemon=True)
            for k in range(workers)
        ]
        self.workers[0].start()
        kept = [self.queue.get() for _ in range(8)]  # by then its compiled code is there for the others
        for process in self.workers[1:]:
            process.start()
        self.fixed = (
            torch.from_numpy(np.stack(tiles).astype(np.float16).transpose(0, 3, 1, 2)).contiguous().to(device)
        )
        got = kept + [self.queue.get() for _ in range(size // 4)]
        self.made = torch.from_numpy(np.stack(got).transpose(0, 3, 1, 2)).contiguous().to(device)
        self.size, self.next, self.seen = size, 0, len(got)

    def refresh(self) -> None:
        """Takes in what has come, at most four pictures at a time."""
        new = []
        try:
            while len(new) < 4:
                new.append(self.queue.get_nowait())
        except queue.Empty:
            pass
        for light in new:
            image = self.torch.from_numpy(light.transpose(2, 0, 1).copy())
            if len(self.made) < self.size:
                self.made = self.torch.cat([self.made, image[None].to(self.made.device)])
            else:
                self.made[self.next].copy_(image)
                self.next = (self.next + 1) % self.size
            self.seen += 1

    def batch(self, count: int, side: int) -> Any:
        """Crops, a quarter of them real light."""
        real = count // 4
        made = crops(self.torch, self.made, count - real, side)
        return self.torch.cat([crops(self.torch, self.fixed, real, side), made])


def parts(net: Any) -> dict[str, F32]:
    """Weights as float32 arrays by name."""
    return {name: value.detach().float().cpu().numpy() for name, value in net.state_dict().items()}


def _resumed(torch: Any, asked: argparse.Namespace, folder: Path, device: Any, state: tuple[Any, Any, Any]) -> int:
    """Puts back what an earlier run left; the step it had reached."""
    net, steady, _ = state
    path, step = folder / f"{asked.name}.pt", 0
    if path.exists():
        saved = torch.load(path, map_location=device)
        for part, name in zip(state, ("net", "steady", "best"), strict=True):
            part.load_state_dict(saved[name])
        step = int(saved["step"])
    elif asked.at:  # on another machine, from what was carried there
        for module, name in ((net, f"{asked.name}_live.npz"), (steady, f"{asked.name}.npz")):
            with np.load(folder / name) as file:
                module.load_state_dict({key: torch.from_numpy(file[key]) for key in file.files})
        step = asked.at
    torch.manual_seed(asked.seed + step)
    return step


def _saved(torch: Any, asked: argparse.Namespace, folder: Path, step: int, state: tuple[Any, Any, Any]) -> None:
    """Leaves the state for another run, and the weights: the steady mean of the last thousand steps, and the last."""
    net, steady, best = state
    whole = {"net": net.state_dict(), "steady": steady.state_dict(), "best": best.state_dict(), "step": step}
    torch.save(whole, folder / f"{asked.name}.pt")
    np.savez(folder / f"{asked.name}.npz", **parts(steady))  # type: ignore[arg-type]
    np.savez(folder / f"{asked.name}_live.npz", **parts(net))  # type: ignore[arg-type]


def train(asked: argparse.Namespace) -> None:
    """Train, or go on training, until `steps` or `seconds` are over."""
    import torch

    began = time.time()
    torch.manual_seed(asked.seed)
    torch.backends.cudnn.benchmark = True
    cuda = torch.cuda.is_available()
    folder = Path(asked.folder)
    device = torch.device("cuda" if cuda else "cpu")
    net = network(tuple(asked.channels), tuple(asked.blocks)).to(device, memory_format=torch.channels_last)
    steady = network(tuple(asked.channels), tuple(asked.blocks)).to(device)
    steady.load_state_dict(net.state_dict())
    best = torch.optim.AdamW(net.parameters(), lr=1e-3, betas=(0.9, 0.99), weight_decay=1e-4, fused=cuda)
    step = _resumed(torch, asked, folder, device, (net, steady, best))
    again = step
    pool = Pool(torch, folder, device, asked.pool, asked.workers, (asked.seed * 1000 + step // 100) * 1_000_000)
    judge = Judge(torch, pool.real, device)

    def forward(light: Any) -> Any:
        given, truth, sigma = photographed(torch, recoloured(torch, light))
        given = given.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=cuda):
            said = net(given)
        return loss_of(torch, said.float(), truth, sigma)

    run = torch.compile(forward) if cuda and not asked.plain else forward
    total, shown, clock = 0.0, step, time.time()
    print(f"# {asked.name}: {sum(p.numel() for p in net.parameters())} weights, real tiles {len(pool.fixed)}, "
          f"made {len(pool.made)}, ready in {time.time() - began:.0f} s", flush=True)  # fmt: skip
    while step < asked.steps and time.time() - began < asked.seconds:
        warm = min(1.0, (step + 1) / 500, (step - again + 1) / 200)
        for group in best.param_groups:
            group["lr"] = asked.rate * warm * (0.5 + 0.5 * math.cos(math.pi * step / asked.steps)) + 1e-7
        loss = run(pool.batch(asked.batch, asked.side))
        best.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 0.5)
        best.step()
        step += 1
        with torch.no_grad():
            keep = min(0.999, step / (step + 100))
            torch._foreach_lerp_(list(steady.parameters()), list(net.parameters()), 1 - keep)
        if step % 4 == 0:
            pool.refresh()
        if step % asked.tell == 0 or step == asked.steps:
            total = float(loss.detach())
            rate = (step - shown) / (time.time() - clock)
            print(f"{step}: {time.time() - began:.0f} s, {rate:.1f} steps/s, loss {total:.5f}, pictures {pool.seen}; "
                  f"dB {judge(steady)}", flush=True)  # fmt: skip
            shown, clock = step, time.time()
    for process in pool.workers:
        process.terminate()
    _saved(torch, asked, folder, step, (net, steady, best))
    print(f"# stopped at step {step} of {asked.steps}, {time.time() - began:.0f} s", flush=True)


class Graph:
    """An ONNX graph written node by node; weights are stored as float16 and used as float32."""

    def __init__(self, weights: dict[str, F32]) -> None:
        from onnx import helper

        self.weights, self.nodes, self.stored = weights, [], []  # type: ignore[var-annotated]
        self.make, self.count = helper.make_node, 0

    def node(self, kind: str, given: list[str], **how: Any) -> str:
        """One operation; the name of its result."""
        self.count += 1
        out = f"t{self.count}"
        self.nodes.append(self.make(kind, given, [out], **how))
        return out

    def conv(self, x: str, name: str, stride: int = 1) -> str:
        """A convolution with the weights of that name."""
        from onnx import TensorProto, numpy_helper

        given = [x]
        for part in ("weight", "bias"):
            key = f"{name}.{part}"
            self.stored.append(numpy_helper.from_array(self.weights[key].astype(np.float16), key))
            given.append(self.node("Cast", [key], to=TensorProto.FLOAT))
        size = self.weights[f"{name}.weight"].shape[-1]
        return self.node("Conv", given, kernel_shape=[size, size], strides=[stride, stride],
                         pads=[1, 1, 1, 1] if size == 3 else [0, 0, 0, 0])  # fmt: skip

    def blocks(self, x: str, name: str) -> str:
        """The residual blocks of one scale."""
        k = 0
        while f"{name}.{k}.first.weight" in self.weights:
            y = self.node("Relu", [self.conv(x, f"{name}.{k}.first")])
            x = self.node("Add", [self.conv(y, f"{name}.{k}.second"), x])
            k += 1
        return x

    def shuffled(self, x: str) -> str:
        """Four channels to 2 x 2 pixels."""
        return self.node("DepthToSpace", [x], blocksize=2, mode="CRD")


def export(weights: Path, out: Path) -> None:
    """The ONNX file of trained weights: `given`, 1 x 7 x h x w, to `light`, 1 x 3 x 2h x 2w; h, w multiples of 8."""
    import onnx
    from onnx import TensorProto, helper

    with np.load(weights) as file:
        graph = Graph({name: file[name] for name in file.files})
    scales = sum(name.startswith("down.") and name.endswith("weight") for name in graph.weights)
    x, kept = graph.node("Relu", [graph.conv("given", "head")]), []
    for k in range(scales + 1):
        x = graph.blocks(x, f"before.{k}")
        if k < scales:
            kept.append(x)
            x = graph.conv(x, f"down.{k}", 2)
    for k in reversed(range(scales)):
        x = graph.blocks(graph.node("Add", [graph.shuffled(graph.conv(x, f"up.{k}")), kept[k]]), f"after.{k}")
    x = graph.shuffled(graph.node("Add", [graph.conv(x, "tail"), graph.conv("given", "past")]))
    graph.nodes.append(helper.make_node("Identity", [x], ["light"]))
    inputs = [helper.make_tensor_value_info("given", TensorProto.FLOAT, [1, INPUTS, "h", "w"])]
    outputs = [helper.make_tensor_value_info("light", TensorProto.FLOAT, [1, 3, "h2", "w2"])]
    body = helper.make_graph(graph.nodes, "mosaic to light", inputs, outputs, graph.stored)
    model = helper.make_model(body, opset_imports=[helper.make_opsetid("", 17)], producer_name="clerestory")
    model.ir_version = 9
    onnx.checker.check_model(model)
    out.write_bytes(model.SerializeToString(deterministic=True))
    print(f"{out}: {out.stat().st_size / 1e6:.2f} MB")


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
    way.add_argument("--steps", type=int, default=60000)
    way.add_argument("--seconds", type=float, default=1e9)
    way.add_argument("--at", type=int, default=0, help="the step that NAME.npz and NAME_live.npz were saved at")
    way.add_argument("--batch", type=int, default=64)
    way.add_argument("--side", type=int, default=160)
    way.add_argument("--rate", type=float, default=8e-4)
    way.add_argument("--pool", type=int, default=800)
    way.add_argument("--workers", type=int, default=14)
    way.add_argument("--tell", type=int, default=1000)
    way.add_argument("--seed", type=int, default=1)
    way.add_argument("--plain", action="store_true", help="without torch.compile")
    way.add_argument("--channels", type=int, nargs="+", default=CHANNELS)
    way.add_argument("--blocks", type=int, nargs="+", default=BLOCKS)
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
