"""From the mosaic to colour, against the truth: demosaic without noise, noise reduction by ISO, and what it costs.

    python bench/raw.py [--quick] [--crops FOLDER] [--time] [--demosaic [--photographs FOLDER]]
    python bench/raw.py --patterns | --folder FOLDER    (raw_kinds.py)

Pictures none of which the network was trained on: two views in the modelled church of seed 1, the open panorama
vestibule_1k (CC0) where `../shared/data` has it, and three photographs that scikit-image carries (astronaut, chelsea,
coffee). Each is linear light, mosaiced by a sensor of the simulator's noise; all ways see the same raw numbers.

Demosaic: LibRaw's LINEAR, AHD (Hirakawa and Parks 2005) and DHT, ours, and the network. Chroma error: root mean
square of the errors of R - G and B - G, sRGB-encoded, percent: of a grey zone plate (rings finer towards the edge,
half a cycle a pixel there; 'to 0.3': only as far as 0.3 cycles) and of cornices, the tenth of each panorama with the
finest detail, nothing clipped near. Zipper: root mean square of brightness that alternates from pixel to pixel and
should not.

CPSNR: peak signal to noise over all three colours, dB, and SSIM (Wang et al. 2004), both of sRGB-encoded values,
eight pixels at the edge left out. 'closer' is the better way without the network. NLM: OpenCV's non-local means,
wavelets: scikit-image's BayesShrink, both on each stabilised plane of the mosaic, then AHD; of NLM the best of three
strengths.
"""

from __future__ import annotations

import argparse
import math
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import rawpy
import skimage.data
from numpy.typing import NDArray
from skimage.metrics import structural_similarity
from skimage.restoration import denoise_wavelet

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.camera.pose import Pose
from clerestory.develop import demosaic as mosaics
from clerestory.develop import learned
from clerestory.develop.colour import balanced_values
from clerestory.develop.denoise import denoise_mosaic
from clerestory.raw.read import Mosaic
from clerestory.raw.srgb import encoded, linear
from clerestory.simulate.camera import XYZ_TO_CAMERA, SimulatedCamera
from clerestory.simulate.panorama import load_panorama
from clerestory.simulate.scene import Church

F32 = NDArray[np.float32]
BALANCE = (2.0, 1.0, 1.6)
BODY = SimulatedCamera()
BLACK, WHITE = 256.0, 16383.0  # fourteen bits, so that rounding says nothing
EDGE = 8
ISOS = (800, 1600, 3200, 6400, 12800, 25600)
PANORAMAS = Path("../shared/data/panoramas")
mosaics.DEMOSAIC["linear"] = rawpy.DemosaicAlgorithm.LINEAR


@dataclass
class Seen:
    """A picture's light (H x W x 3, white balanced, 1 at saturation of green) and one exposure of it."""

    light: F32
    mosaic: Mosaic
    noise: NoiseModel

    def developed(self, signal: NDArray[np.floating], method: str = "directional") -> F32:
        """A mosaic above black to white-balanced colour."""
        return balanced_values(mosaics.demosaic(signal, self.mosaic, BALANCE, method))


def church_view(yaw: float, pitch: float, focal: float, size: tuple[int, int] = (768, 576)) -> F32:
    """The modelled church of seed 1, its exposure as a meter would set it."""
    camera = Camera.equivalent(*size, focal, None)
    light = Church(1).render(camera, Pose(yaw, pitch, 0.02, (0.3, 9.0, 1.6))).radiance
    return np.asarray(light * 0.12 / np.median(light), np.float32)


def pictures(quick: bool = False) -> dict[str, F32]:
    """Linear light by name, even sizes."""
    found = {"vault": church_view(0.1, 0.9, 35), "nave": church_view(0.25, 0.15, 28)}
    if (PANORAMAS / "vestibule_1k.hdr").exists():
        hall = load_panorama(PANORAMAS / "vestibule_1k.hdr")[96:-96, 100:740]
        found["vestibule"] = np.asarray(hall * 0.18 / np.median(hall), np.float32)
    for name in () if quick else ("astronaut", "chelsea", "coffee"):
        photo = np.asarray(getattr(skimage.data, name)(), np.float32) / 255
        found[name] = (
            np.where(photo <= 0.04045, photo / 12.92, ((photo + 0.055) / 1.055) ** 2.4).astype(np.float32) * 0.9
        )
    return {k: np.ascontiguousarray(v[: v.shape[0] // 2 * 2, : v.shape[1] // 2 * 2]) for k, v in found.items()}


def softened(scenes: dict[str, F32], pixels: float) -> dict[str, F32]:
    """Pictures as sharp as a lens and the filter before a sensor leave them: reduced pictures, and those of a
    model that has neither, are sharper than any frame. `pixels`: the Gaussian's deviation."""
    return {name: cv2.GaussianBlur(light, (0, 0), pixels) for name, light in scenes.items()} if pixels else scenes


def noise_at(iso: float) -> NoiseModel:
    """The simulator's sensor at an ISO, in units of this bench."""
    model = BODY.noise_model(iso).scaled((WHITE - BLACK) / BODY.range)
    (r0, r1, r2, r3) = (math.hypot(r, math.sqrt(1 / 12)) for r in model.read)
    return NoiseModel(model.gain, (r0, r1, r2, r3))


def exposed(light: F32, iso: float | None, seed: int = 3) -> Seen:
    """A raw frame of the light; `iso` None: without noise."""
    balance = np.array(BALANCE, np.float32)
    light = np.minimum(light, balance)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    camera = light / balance * (WHITE - BLACK)
    signal = np.empty(light.shape[:2])
    for r in range(2):
        for c in range(2):
            signal[r::2, c::2] = camera[r::2, c::2, (0, 1, 2, 1)[int(cfa[r, c])]]
    noise = NoiseModel((1e-3,) * 4, (math.sqrt(1 / 12),) * 4)
    if iso is not None:
        rng, noise = np.random.default_rng(seed), noise_at(iso)
        signal = rng.poisson(signal / noise.gain[0]) * noise.gain[0] + rng.normal(0, noise.read[0], signal.shape)
    raw = np.clip(np.rint(signal + BLACK), 0, WHITE).astype(np.uint16)
    levels = np.full(4, BLACK), np.full(4, WHITE)
    return Seen(light, Mosaic(raw, cfa, *levels, BALANCE, BALANCE, np.array(XYZ_TO_CAMERA)), noise)


def stable(seen: Seen, work: Callable[[F32], NDArray[np.floating]]) -> F32:
    """Work done on each plane of the mosaic brought to unit noise; the mosaic above black."""
    out = np.empty(seen.mosaic.raw.shape, np.float32)
    g, foot = seen.noise.gain[0], 3 / 8 + (seen.noise.read[0] / seen.noise.gain[0]) ** 2
    for r in range(2):
        for c in range(2):
            plane = seen.mosaic.raw[r::2, c::2].astype(np.float32) - np.float32(BLACK)
            clean = work(2 * np.sqrt(np.maximum(plane / g + foot, 0)).astype(np.float32))
            out[r::2, c::2] = ((clean / 2) ** 2 - foot) * g
    return out


def by_means(strength: float) -> Callable[[F32], NDArray[np.floating]]:
    """OpenCV's non-local means at a strength, in deviations of the noise."""

    def work(plane: F32) -> NDArray[np.floating]:
        low, high = float(plane.min()), float(plane.max())
        levels = 65535 / max(high - low, 1e-6)
        whole = ((plane - low) * levels).astype(np.uint16)
        clean = cv2.fastNlMeansDenoising(whole, [strength * levels], None, 5, 21, cv2.NORM_L1)
        return np.asarray(clean / levels + low)

    return work


def by_wavelets(plane: F32) -> NDArray[np.floating]:
    """scikit-image's BayesShrink at unit noise."""
    return np.asarray(denoise_wavelet(plane, sigma=1.0, method="BayesShrink", mode="soft", rescale_sigma=False))


def network(seen: Seen) -> F32:
    """The packaged network."""
    return learned.light_of(seen.mosaic, seen.noise, BALANCE)


def shown(rgb: F32) -> NDArray[np.float64]:
    """sRGB-encoded values, 0 to 1, as a picture would show them."""
    return np.asarray(encoded(np.clip(rgb, 0, 1).astype(float)))[EDGE:-EDGE, EDGE:-EDGE]


def score(seen: Seen, rgb: F32) -> tuple[float, float]:
    """CPSNR in dB and SSIM against the light."""
    truth, made = shown(seen.light), shown(rgb)
    error = float(np.mean((truth - made) ** 2))
    return -10 * math.log10(error), float(structural_similarity(truth, made, channel_axis=2, data_range=1.0))


WAYS: dict[str, Callable[[Seen], list[F32]]] = {
    "none": lambda s: [s.developed(mosaics.signal_of(s.mosaic))],
    "default": lambda s: [s.developed(denoise_mosaic(s.mosaic, s.noise))],
    "closer": lambda s: [s.developed(denoise_mosaic(s.mosaic, s.noise, quality="better"))],
    "network": lambda s: [network(s)],
    "NLM": lambda s: [s.developed(stable(s, by_means(h))) for h in (1.5, 2.5, 4.0)],
    "wavelets": lambda s: [s.developed(stable(s, by_wavelets))],
}


MOSAICS = {"LINEAR": "linear", "AHD": "ahd", "DHT": "dht", "ours": "directional"}


def photographs(folder: Path) -> dict[str, F32]:
    """Full-colour photographs of a folder, sRGB-encoded, as light."""
    found = {}
    for path in sorted(folder.iterdir()):
        photo = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if photo is not None:
            light = linear(photo[..., ::-1].astype(np.float64) / 255).astype(np.float32) * np.float32(0.9)
            found[path.stem[:9]] = np.ascontiguousarray(light[: light.shape[0] // 2 * 2, : light.shape[1] // 2 * 2])
    return found


def zone_plate(side: int = 512, contrast: float = 0.9) -> F32:
    """Grey rings, their frequency from none in the middle to half a cycle a pixel at the edges."""
    y, x = np.mgrid[:side, :side] - side / 2 + 0.25
    value = 0.45 * (0.5 + 0.5 * contrast * np.cos(np.pi * 0.5 * (x * x + y * y) / (side / 2)))
    return np.repeat(value[..., None], 3, axis=2).astype(np.float32)


def cornices() -> dict[str, tuple[F32, NDArray[np.bool_]]]:
    """Panoramas as light, and where their finest detail is."""
    out = {}
    for path in sorted(PANORAMAS.glob("*_1k.*")) if PANORAMAS.exists() else ():
        light = load_panorama(path)[96:-96]
        light = np.minimum(light * 0.18 / np.median(light), 1).astype(np.float32)
        value = encoded(light.astype(float)).mean(axis=2)
        detail = cv2.blur((value - cv2.GaussianBlur(value, (0, 0), 1.5)) ** 2, (16, 16))
        detail[cv2.dilate((light.max(axis=2) >= 0.99).astype(np.uint8), np.ones((25, 25))) > 0] = 0
        out[path.stem.split("_")[0]] = light, detail >= np.quantile(detail, 0.9)
    return out


def chroma_error(light: F32, rgb: F32, where: NDArray[np.bool_] | None = None) -> float:
    """Root mean square error of R - G and B - G, sRGB-encoded, percent."""
    wrong = shown(rgb) - shown(light)
    colour = np.stack([wrong[..., 0] - wrong[..., 1], wrong[..., 2] - wrong[..., 1]], axis=-1)
    return 100 * float(np.sqrt(np.mean((colour if where is None else colour[where[EDGE:-EDGE, EDGE:-EDGE]]) ** 2)))


def zipper(light: F32, rgb: F32) -> float:
    """Root mean square of brightness that alternates from pixel to pixel and should not, sRGB-encoded, percent."""
    wrong = (shown(rgb) - shown(light)) @ np.array([0.2126, 0.7152, 0.0722])
    kernel = np.array([[0.25, -0.5, 0.25]])
    parts = [cv2.filter2D(wrong, -1, k) for k in (kernel, kernel.T)]
    return 100 * float(np.sqrt(np.mean([p**2 for p in parts])))


def plain(seen: Seen, method: str) -> F32:
    """A mosaic as it is to white-balanced colour."""
    return network(seen) if method == "network" else seen.developed(mosaics.signal_of(seen.mosaic), method)


def demosaic_table(scenes: dict[str, F32]) -> None:
    """CPSNR without noise, picture by picture."""
    print(f"demosaic, no noise, CPSNR dB\n{'':<12}" + "".join(f"{n:>10}" for n in scenes) + f"{'mean':>10}")
    frames = [exposed(light, None) for light in scenes.values()]
    for name, method in {**MOSAICS, "network": "network"}.items():
        found = [score(seen, plain(seen, method))[0] for seen in frames]
        print(f"{name:<12}" + "".join(f"{v:>10.2f}" for v in found) + f"{np.mean(found):>10.2f}", flush=True)


def false_colour_table(scenes: dict[str, F32]) -> None:
    """Chroma error of the zone plate and of cornices; zipper of the pictures."""
    plate, parts = exposed(zone_plate(), None), {k: (exposed(v, None), m) for k, (v, m) in cornices().items()}
    frames = [exposed(light, None) for light in scenes.values()]
    y, x = np.mgrid[:512, :512] - 255.75
    coarse = np.hypot(x, y) < 0.6 * 256
    print(
        f"\nchroma error, percent\n{'':<12}{'plate':>10}{'to 0.3':>10}" + "".join(f"{n:>12}" for n in parts), end=""
    )
    print(f"{'zipper':>12}")
    for name, method in {**MOSAICS, "network": "network"}.items():
        made = plain(plate, method)
        row = f"{name:<12}{chroma_error(plate.light, made):>10.2f}{chroma_error(plate.light, made, coarse):>10.2f}"
        row += "".join(f"{chroma_error(s.light, plain(s, method), m):>12.2f}" for s, m in parts.values())
        print(row + f"{np.mean([zipper(s.light, plain(s, method)) for s in frames]):>12.2f}", flush=True)


def noisy_demosaic_table(scenes: dict[str, F32]) -> None:
    """CPSNR by ISO, noise left and noise reduced before."""
    print(
        f"\ndemosaic of noisy frames, CPSNR dB, mean of {len(scenes)}\n{'':<20}"
        + "".join(f"{n:>10}" for n in MOSAICS)
    )
    for iso in (1600, 6400):
        frames = [exposed(light, iso) for light in scenes.values()]
        for label, signal in (
            ("as it is", lambda s: mosaics.signal_of(s.mosaic)),
            ("reduced", lambda s: denoise_mosaic(s.mosaic, s.noise)),
        ):
            signals = [signal(s) for s in frames]
            row = [
                np.mean([score(s, s.developed(v, m))[0] for s, v in zip(frames, signals, strict=True)])
                for m in MOSAICS.values()
            ]
            print(f"ISO {iso:<6}{label:<10}" + "".join(f"{v:>10.2f}" for v in row), flush=True)


def noise_table(scenes: dict[str, F32], isos: tuple[int, ...], crops: Path | None) -> None:
    """CPSNR and SSIM by ISO, mean of all pictures."""
    print(
        f"\nnoise reduction, CPSNR dB / SSIM, mean of {len(scenes)}\n{'ISO':<8}" + "".join(f"{n:>16}" for n in WAYS)
    )
    for iso in isos:
        row = []
        for way in WAYS.values():
            found = []
            for name, light in scenes.items():
                seen = exposed(light, iso)
                made = way(seen)
                found.append(max(score(seen, rgb) for rgb in made))
                if crops and len(made) == 1 and iso == 6400:
                    label = next(k for k, v in WAYS.items() if v is way)
                    cv2.imwrite(
                        str(crops / f"{name}-{label}.png"), (shown(made[0])[..., ::-1] * 255 + 0.5).astype("u1")
                    )
            row.append(np.mean(found, axis=0))
        print(f"{iso:<8}" + "".join(f"{p:>9.2f} {s:.4f}" for p, s in row), flush=True)


def cost() -> None:
    """Seconds and peak memory of a 20-megapixel frame of noise, network alone, and of LibRaw's AHD beside it."""
    rng = np.random.default_rng(1)
    raw = rng.integers(300, 4000, (BODY.height, BODY.width)).astype(np.uint16)
    seen = exposed(np.zeros((2, 2, 3), np.float32), 3200)
    mosaic = Mosaic(
        raw, seen.mosaic.cfa, seen.mosaic.black, seen.mosaic.white, BALANCE, BALANCE, np.array(XYZ_TO_CAMERA)
    )
    seen = Seen(seen.light, mosaic, seen.noise)
    spent = []
    for _ in range(3):
        start, work = time.perf_counter(), time.process_time()
        network(seen)
        spent.append((time.perf_counter() - start, time.process_time() - work))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    start = time.perf_counter()
    seen.developed(mosaics.signal_of(mosaic))
    ahd = time.perf_counter() - start
    wall, work = min(spent)
    print(f"\n20 megapixels: {wall:.1f} s ({work:.1f} s of the processor), peak {peak:.2f} GB; AHD {ahd:.1f} s")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="three pictures, three ISOs")
    parser.add_argument("--crops", type=Path, help="a folder for the pictures at ISO 6400")
    parser.add_argument("--time", action="store_true", help="only seconds and memory")
    parser.add_argument("--demosaic", action="store_true", help="only the tables of demosaicing")
    parser.add_argument(
        "--photographs", type=Path, help="a folder of full-colour photographs in place of the pictures"
    )
    parser.add_argument("--soft", type=float, default=0.0, help="pictures softened by so many pixels, as by a lens")
    parser.add_argument("--noise", action="store_true", help="only the table of noise reduction")
    parser.add_argument("--patterns", action="store_true", help="each form of raw at equal light, beside Bayer")
    parser.add_argument("--folder", type=Path, help="every raw file below a folder: finished or refused, and why")
    parser.add_argument("--width", type=int, default=1296, help="pixels, of the frames of --patterns")
    asked = parser.parse_args()
    if asked.patterns or asked.folder:
        import raw_kinds

        raw_kinds.print_tables(asked.patterns, asked.folder, asked.width)
        return
    if asked.crops:
        asked.crops.mkdir(parents=True, exist_ok=True)
    if not asked.time:
        scenes = photographs(asked.photographs) if asked.photographs else pictures(asked.quick)
        scenes = softened(scenes, asked.soft)
        if not asked.noise:
            demosaic_table(scenes)
            false_colour_table(scenes)
            noisy_demosaic_table(scenes)
        if asked.demosaic:
            return
        noise_table(scenes, (800, 6400, 25600) if asked.quick else ISOS, asked.crops)
    else:
        cost()


if __name__ == "__main__":
    main()
