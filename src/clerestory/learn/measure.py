"""Frames of sorted visits measured: sharp or not, the hands fitted to that, noise by camera and ISO."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tomli_w
from numpy.typing import NDArray

from clerestory.camera.exposure import luminance_of
from clerestory.camera.noise import NoiseModel
from clerestory.camera.optics import equivalent_focal
from clerestory.camera.steadiness import SHARP_SHARE, HandsFit, fit_hands
from clerestory.develop.defects import measured
from clerestory.errors import UserError
from clerestory.raw.clipping import FULL
from clerestory.raw.frame import open_frame
from clerestory.raw.group import View, is_soft
from clerestory.raw.headroom import SceneShares, scene_shares
from clerestory.raw.inspect import blurred_sharpness
from clerestory.raw.lattice import COARSER
from clerestory.raw.noise_fit import LEAST_GAIN, fit_channels
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.raw.sort import MEGABYTES, SECONDS, Sorted, default_workers
from clerestory.run.isolated import map_isolated

RUNS = ("burst", "clear")  # views whose frames show the same at the same exposure
STEPS = (0.125, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 8.0)  # movement at which what is left of sharpness is taken
ALIKE = 3.0  # largest ratio of two channels' gains that is believed
RUN = 4  # frames of a run to fit noise on together
MOST_NOISE = 5  # frames to fit noise on, of one camera at one ISO: its figures then agree to about a per cent


@dataclass(frozen=True)
class Judged:
    """One frame of a run: shutter time, focal length on 36 x 24 mm, and whether it is sharp."""

    path: Path
    view: str
    seconds: float
    equivalent_mm: float
    sharp: bool


@dataclass(frozen=True)
class Reference:
    """What is measured on one frame's raw data: the share of its sharpness that movement by each of `STEPS` times the
    limit of a sharp frame leaves, empty where that was not asked; its noise, None where it was not or could not be
    fitted; raw units from black to saturation; its light.
    """

    left: tuple[float, ...]
    noise: NoiseModel | None
    range: float
    light: SceneShares


@dataclass(frozen=True)
class Light:
    """Luminance of a view's middling stone and brightest glass, cd/m2, by its frames' own raw values and settings.

    `spare`: stops by which the darkest of its frames could have been lighter before glass was lost; `guessed`:
    whether the glass is clipped in all of them.
    """

    stone: float
    glass: float
    spare: float
    guessed: bool


@dataclass(frozen=True)
class Noise:
    """Noise of a camera at one ISO: the median of `frames` frames' models, raw units."""

    camera: str
    iso: float
    model: NoiseModel
    range: float
    frames: int


@dataclass
class Learned:
    """What the frames say. `fit` is None where no frame could be judged. `light`: by a view's pick. `lenses`: frames
    by lens and by focal length in mm. `alone`: frames that could not be judged."""

    judged: list[Judged] = field(default_factory=list)
    fit: HandsFit | None = None
    noise: list[Noise] = field(default_factory=list)
    light: dict[Path, Light] = field(default_factory=dict)
    lenses: dict[str, dict[float, int]] = field(default_factory=dict)
    alone: int = 0
    refused: list[tuple[Path, str]] = field(default_factory=list)

    def lines(self) -> list[str]:
        """A few lines for the terminal."""
        cameras = sorted({n.camera for n in self.noise})
        out = [f"Noise at {len(self.noise)} ISO settings: {', '.join(cameras) or 'no camera'}."]
        if self.fit is None:
            return ["No burst of one view: nothing can be said of how steady your hands are.", *out]
        if not self.fit.told:
            return [
                f"{self.fit.frames} frames judged, {self.fit.sharp} sharp: they do not tell how steady your hands "
                "are, and learned.toml says nothing of it. Take a few views five times over, at several shutter "
                "times.",
                *out,
            ]
        t0, doubt = self.fit.hands.t0_stops, 1.96 * self.fit.t0_error
        return [
            f"Half your frames are sharp {t0:+.1f} stops (± {doubt:.1f}) from 1 / equivalent focal "
            f"length, slope {self.fit.hands.slope:.2f}: {self.fit.frames} frames judged, {self.fit.sharp} sharp.",
            *out,
        ]

    def toml(self, views: Mapping[str, Light] | None = None) -> str:
        """The learned file, as `plan.model.read_learned` reads it. `views`: light by the plan's names of views."""
        data: dict[str, object] = {}
        if self.fit is not None and self.fit.told:
            data["hands"] = {
                "t0_stops": round(self.fit.hands.t0_stops, 3),
                "slope": round(self.fit.hands.slope, 3),
                "t0_error": round(self.fit.t0_error, 3),
                "frames": self.fit.frames,
                "sharp": self.fit.sharp,
            }
        cameras: dict[str, list[dict[str, object]]] = {}
        for noise in self.noise:
            four = {k: [float(f"{v:.5g}") for v in getattr(noise.model, k)] for k in ("gain", "read")}
            cameras.setdefault(noise.camera, []).append(
                {"iso": noise.iso, "range": round(noise.range, 1), **four, "frames": noise.frames}
            )
        data["camera"] = [{"name": name, "noise": rows} for name, rows in sorted(cameras.items())]
        data["view"] = [
            {"name": name, "stone_cd_m2": float(f"{light.stone:.3g}"), "glass_cd_m2": float(f"{light.glass:.3g}")}
            for name, light in (views or {}).items()
        ]
        head = (
            "# Learned from your own frames. In visit.toml: [hands] learned = the way to this file.\n"
            "# t0_stops holds what the stabiliser gave. Noise: raw units; red, green, green, blue.\n"
            "# Light of views as the camera saw it; it stands in place of the visit file's where the names agree.\n"
        )
        return head + tomli_w.dumps(data)


def equivalent_of(info: FrameInfo) -> float | None:
    """Focal length on 36 x 24 mm by a frame's file, mm."""
    if info.equivalent_mm:
        return info.equivalent_mm
    if info.focal_mm and info.sensor_mm:
        return equivalent_focal(info.focal_mm, info.sensor_mm)
    return None


def limit_px(info: FrameInfo) -> float:
    """The most movement of a sharp frame, raw pixels: twice its RMS radius.

    The diagonal is that of the field the focal length on 36 x 24 mm speaks of, so that a crop is not judged harder.
    """
    camera, equivalent = info.intrinsics, equivalent_of(info)
    if camera is None or not equivalent:
        return math.hypot(info.width, info.height) * SHARP_SHARE
    return camera.focal / equivalent * math.hypot(36, 24) * SHARP_SHARE


def _fitted(mosaic: Mosaic, company: Sequence[Path]) -> NoiseModel | None:
    """Noise of a frame together with others of its run; None where it cannot be told."""
    try:
        fits = fit_channels([measured(m) for m in (mosaic, *(open_frame(p).mosaic for p in company))])
    except UserError:
        return None
    # One converter serves all channels: where they differ this much, texture was taken for noise.
    believed = 2 * LEAST_GAIN < fits.gain.max() < ALIKE * fits.gain.min()
    return fits.together if believed else None


def _left(mosaic: Mosaic, limit: float) -> tuple[float, ...]:
    """The share of a frame's sharpness that movement by each of `STEPS` times the limit leaves."""
    # Movement in both directions with an RMS radius r spreads r / sqrt(2) along each.
    have, *less = blurred_sharpness(mosaic, [0.0, *(s * limit / 2 / math.sqrt(2) for s in STEPS)])
    return tuple(min(1.0, b / have) if have > 0 else 1.0 for b in less)


def measure(path: Path, limit: float | None, company: Sequence[Path] | None) -> Reference:
    """Measure one raw frame. `limit`: as of `limit_px`, None where its sharpness is not asked. `company`: others of
    its run to fit noise on, None where noise is not asked.

    Runs in a worker process.
    """
    mosaic = open_frame(path).mosaic
    noise = None if company is None else _fitted(mosaic, company)
    left = () if limit is None else _left(mosaic, limit / (COARSER if mosaic.form == "6x6" else 1))
    return Reference(left, noise, float(np.mean(mosaic.white - mosaic.black)), scene_shares(mosaic))


def _runs(found: Sorted) -> list[View]:
    """Runs with two raw frames or more whose files tell shutter time and focal length."""

    def told(path: Path) -> bool:
        info = found.seen[path].info
        return bool(info.is_raw and info.seconds and equivalent_of(info))

    return [v for v in found.views if v.kind in RUNS and len(v.frames) > 1 and all(map(told, v.frames))]


def _noise_frames(visits: Sequence[Sorted], company: Mapping[Path, Sequence[Path]]) -> dict[Path, tuple[str, float]]:
    """Frames to fit noise on, at most `MOST_NOISE` of a camera and ISO, spread over the day; of runs if any."""
    groups: dict[tuple[str, float], list[Path]] = {}
    for found in visits:
        for path, seen in found.seen.items():
            if seen.info.is_raw and seen.info.iso:
                groups.setdefault((seen.info.model or "unnamed camera", seen.info.iso), []).append(path)
    out = {}
    for key, paths in groups.items():
        paths = [p for p in paths if company.get(p)] or paths
        step = max(1, len(paths) // MOST_NOISE)
        out.update({path: key for path in paths[::step][:MOST_NOISE]})
    return out


def _company(visits: Sequence[Sorted]) -> dict[Path, list[Path]]:
    """By frame of a run, others of it at the same exposure."""
    out: dict[Path, list[Path]] = {}
    for found in visits:
        for view in found.views:
            if view.kind not in RUNS:
                continue
            infos = {p: found.seen[p].info for p in view.frames}
            for path, info in infos.items():
                same = [p for p, i in infos.items() if (i.seconds, i.iso) == (info.seconds, info.iso) and p != path]
                out[path] = same[: RUN - 1]
    return out


def _luminance(share: float, info: FrameInfo) -> float:
    assert info.f_number and info.seconds and info.iso
    return luminance_of(share, info.f_number, info.seconds, info.iso)


Lit = dict[Path, tuple[FrameInfo, Path, FrameInfo]]


def _lit(visits: Sequence[Sorted]) -> Lit:
    """By the pick of each view whose raw frames tell their exposure: its facts, the darkest frame and its facts."""
    out: Lit = {}
    for found in visits:
        for view in found.views:
            infos = {p: found.seen[p].info for p in (view.pick, *view.frames)}
            if all(i.is_raw and i.f_number and i.seconds and i.iso for i in infos.values()):
                dark = max(infos, key=lambda p: _luminance(1.0, infos[p]))
                out[view.pick] = (infos[view.pick], dark, infos[dark])
    return out


def _light(
    lit: Mapping[Path, tuple[FrameInfo, Path, FrameInfo]], seen: Mapping[Path, Reference]
) -> dict[Path, Light]:
    out = {}
    for pick, (info, dark, dark_info) in lit.items():
        if pick in seen and dark in seen:
            stone, glass = seen[pick].light, seen[dark].light
            spare = math.log2(FULL / glass.glass)
            out[pick] = Light(_luminance(stone.stone, info), _luminance(glass.glass, dark_info), spare, glass.guessed)
    return out


def _noise(frames: Mapping[Path, tuple[str, float]], seen: Mapping[Path, Reference]) -> list[Noise]:
    groups: dict[tuple[str, float], list[Reference]] = {}
    for path, key in frames.items():
        if path in seen and seen[path].noise is not None:
            groups.setdefault(key, []).append(seen[path])
    out = []
    for (camera, iso), refs in sorted(groups.items()):
        models = [r.noise for r in refs if r.noise is not None]
        gain, read = (np.median([getattr(m, k) for m in models], axis=0) for k in ("gain", "read"))
        model = NoiseModel(tuple(map(float, gain)), tuple(map(float, read)))  # type: ignore[arg-type]
        out.append(Noise(camera, iso, model, float(np.median([r.range for r in refs])), len(refs)))
    return out


def unmoved(sharpness: NDArray[np.float64], left: Sequence[float]) -> float:
    """The sharpness that a run's view shows when nothing moves, from its frames' (n,) and what movement leaves of it.

    `left`: the share of sharpness that movement by each of STEPS leaves.

    The greatest would not do: where edges fall between pixels, and noise, scatter sharpness by some per cent, and the
    greatest of many is an accident. Taken here is the mean of what is likely, with movement as likely in each octave
    from an eighth of the limit to eight times, scatter of half to 4.5 per cent, and nothing assumed of the rest.
    """
    octaves = np.arange(-3, 3.01, 0.125)
    shown = np.interp(octaves, np.log2(STEPS), left)
    tried = float(sharpness.max()) * np.linspace(0.8, 1.02, 111)
    likely = []
    for scatter in (0.005, 0.01, 0.02, 0.03, 0.045):
        off = (sharpness[:, None, None] / tried[None, :, None] - shown) / scatter
        likely.append(np.log(np.exp(-(off**2) / 2).mean(axis=2) / scatter + 1e-12).sum(axis=0))
    weight = np.exp(np.array(likely) - np.max(likely)).sum(axis=0)
    return float((weight * tried).sum() / weight.sum())


def judge(view: View, reference: Reference, found: Sorted) -> list[Judged]:
    """The frames of one run, each sharp or not."""
    sharpness = np.array([found.seen[p].sharpness for p in view.frames])
    least = math.inf
    if not all(is_soft(found.seen[p]) for p in view.frames) and sharpness.max() > 0:
        least = unmoved(sharpness, reference.left) * reference.left[STEPS.index(1.0)]
    out = []
    for path in view.frames:
        seen = found.seen[path]
        equivalent = equivalent_of(seen.info)
        assert seen.info.seconds and equivalent
        out.append(Judged(path, view.name, seen.info.seconds, equivalent, seen.sharpness >= least))
    return out


def learn(visits: Sequence[Sorted], progress: Callable[[int, int], None] = lambda done, total: None) -> Learned:
    """Learn from sorted visits. A frame that cannot be read again is named in `refused` and the rest goes on."""
    out = Learned()
    runs = [(view, found) for found in visits for view in _runs(found)]
    best = {id(view): max(view.frames, key=lambda p: found.seen[p].sharpness) for view, found in runs}
    company = _company(visits)
    noise_of = _noise_frames(visits, company)
    infos = {path: seen.info for found in visits for path, seen in found.seen.items()}
    lit = _lit(visits)
    paths = list(dict.fromkeys([*best.values(), *noise_of, *lit, *(dark for _, dark, _ in lit.values())]))
    judging = set(best.values())
    tasks = [
        (
            path,
            limit_px(infos[path]) if path in judging else None,
            company.get(path, []) if path in noise_of else None,
        )
        for path in paths
    ]
    seen: dict[Path, Reference] = {}
    for done, outcome in enumerate(map_isolated(measure, tasks, default_workers(), SECONDS, MEGABYTES), 1):
        if outcome.value is not None:
            seen[paths[outcome.index]] = outcome.value
        else:
            out.refused.append((paths[outcome.index], outcome.reason))
        progress(done, len(paths))
    for view, found in runs:
        path = best[id(view)]
        if path in seen:
            out.judged += judge(view, seen[path], found)
    out.noise, out.light = _noise(noise_of, seen), _light(lit, seen)
    for info in infos.values():
        if info.focal_mm:
            lens = out.lenses.setdefault(info.lens or "unnamed lens", {})
            lens[info.focal_mm] = lens.get(info.focal_mm, 0) + 1
    out.alone = len(infos) - len(out.judged)
    if out.judged:
        out.fit = fit_hands(
            np.array([j.seconds for j in out.judged]),
            np.array([j.equivalent_mm for j in out.judged]),
            np.array([j.sharp for j in out.judged]),
        )
    return out
