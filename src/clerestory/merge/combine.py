"""From a view of several frames to the one thing that is finished."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera, orientation_rotation
from clerestory.camera.noise import NoiseModel
from clerestory.develop.defects import open_corrected
from clerestory.develop.forms import in_planes
from clerestory.merge.bracket import Step, merge_bracket
from clerestory.merge.burst import merge_burst
from clerestory.merge.clear import merge_clear
from clerestory.merge.pictures import merge_clear_pictures
from clerestory.merge.result import Merged, Refused
from clerestory.merge.stitch import stitch
from clerestory.raw.group import View, stops_of
from clerestory.raw.lens import lens_correction
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import FrameInfo, Mosaic, read_rendered
from clerestory.run.progress import OnStage

SAME_FOCAL = 0.01  # share by which focal lengths may differ in one merge: a zoom's own rounding


def quiet(_: str) -> None:
    """Says nothing."""


JOINED_STOPS = 2.0  # exposure that frames of one wide view may differ by, as a camera left to itself exposes them


def _stops(info: FrameInfo) -> float | None:
    return stops_of(info.seconds, info.iso, info.f_number)


def check_together(infos: Sequence[FrameInfo], kind: str) -> None:
    """Raises Refused where frames cannot be one view whatever they show."""
    first = infos[0]
    if len(infos) < 2:
        raise Refused("there is only one frame.")
    if not all(i.is_raw for i in infos) and (kind != "clear" or any(i.is_raw for i in infos)):
        raise Refused("some frames are finished pictures, not raw files, and their light is no longer linear.")
    if any((i.width, i.height) != (first.width, first.height) for i in infos):
        raise Refused("the frames differ in size.")
    if any(i.orientation != first.orientation for i in infos):
        raise Refused("some frames are portrait and others landscape.")
    if any((i.make, i.model) != (first.make, first.model) for i in infos):
        raise Refused("the frames are from different cameras.")
    if abs(first.pixel_aspect - 1) > 0.01:
        raise Refused("this camera's pixels are not square.")
    focals = [i.focal_mm or i.equivalent_mm or 0.0 for i in infos]
    if max(focals) > (1 + SAME_FOCAL) * min(focals):
        raise Refused(f"they were taken at different focal lengths, {min(focals):g} to {max(focals):g} mm.")
    stops = [s for s in map(_stops, infos) if s is not None]
    most = JOINED_STOPS if kind == "panorama" else 0.4
    if kind != "bracket" and stops and max(stops) - min(stops) > most:
        raise Refused(f"their exposures differ by {max(stops) - min(stops):.1f} stops.")


def camera_of(info: FrameInfo) -> Camera:
    """The camera of a frame as recorded, its lens as far as the file and the lens database know it."""
    lens, camera = lens_correction(info), info.intrinsics
    if camera is None:
        return Camera.equivalent(info.width, info.height)
    return replace(camera, distortion=lens.distortion, vignetting=lens.vignetting)


def _exposure(info: FrameInfo, reference: FrameInfo) -> float:
    mine, theirs = _stops(info), _stops(reference)
    if mine is None or theirs is None:
        raise Refused("the files do not tell their exposure.")
    return 2.0 ** (mine - theirs)


def _exposures(infos: Sequence[FrameInfo]) -> list[float]:
    """Each frame's exposure relative to the least; 1 for all where one does not say."""
    known = [s for s in map(_stops, infos) if s is not None]
    return [2.0 ** (s - min(known)) for s in known] if len(known) == len(infos) else [1.0] * len(infos)


def combine(
    view: View,
    infos: Sequence[FrameInfo],
    on_stage: OnStage = quiet,
    fit: Callable[[Sequence[Mosaic]], NoiseModel] = fit_noise,
    edges: bool = True,
    denoise: bool = True,
) -> Merged:
    """Merge a view's frames as its kind asks: 'burst', 'bracket', 'clear' or 'wide'.

    `infos` in the order of `view.frames`. `on_stage` hears of progress. `fit`: noise model of frames. `edges` and
    `denoise` of a wide view: see `join.merge_wide`. Raises Refused when the
    frames cannot be merged (take `view.pick` alone and say why), UserError for a file that cannot be read.
    """
    check_together(infos, view.kind)
    if view.kind == "panorama":
        return stitch(view.frames, infos, _exposures(infos), camera_of(infos[0]), on_stage, fit, edges, denoise)
    if not infos[0].is_raw:
        return _pictures(view, infos, on_stage)
    at = view.frames.index(view.pick)
    others = [i for i in range(len(view.frames)) if i != at]
    opened = open_corrected(view.pick, infos[at], frames=len(infos), fit=fit)
    if opened.noise is None:
        raise Refused(f"the noise of {view.pick.name} cannot be measured: it shows too little that is even.")
    reference, noise = in_planes(opened.mosaic, opened.noise)
    known = [opened.noise if i.iso == infos[at].iso else None for i in infos]
    reads = [functools.partial(_like, view.frames[i], infos[i], reference, known[i], len(infos), fit) for i in others]
    camera = camera_of(infos[at])
    used = (view.pick, *(view.frames[i] for i in others))
    if view.kind == "bracket":
        steps = [
            Step(_mosaic_of(read), _exposure(infos[i], infos[at]), noise if known[i] else read()[1])
            for i, read in zip(others, reads, strict=True)
        ]
        merged = merge_bracket(reference, steps, noise, camera, on_stage)
        return Merged("bracket", infos[at], _used(used, merged.taken), merged.mosaic, merged.noise, merged.excess,
                      record=_named(merged.record, used), remarks=_bracket_remarks(merged.record, used))  # fmt: skip
    if view.kind == "clear":
        cleared = merge_clear(reference, [_mosaic_of(r) for r in reads], noise, camera, on_stage)
        message = _clear_remarks(cleared.record, used, infos[at])
        return Merged("clear", infos[at], used, cleared.mosaic, cleared.noise, cleared.excess, cleared.mask,
                      record=_named(cleared.record, used), remarks=message)  # fmt: skip
    burst = merge_burst(reference, [_mosaic_of(r) for r in reads], noise, camera, on_stage)
    message = _burst_remarks(burst.record, burst.taken, used)
    return Merged("burst", infos[at], _used(used, burst.taken), burst.mosaic, burst.noise, burst.excess,
                  record=_named(burst.record, used), remarks=message)  # fmt: skip


def _pictures(view: View, infos: Sequence[FrameInfo], on_stage: OnStage) -> Merged:
    """Visitors taken out of finished pictures."""
    at = view.frames.index(view.pick)
    others = [i for i in range(len(view.frames)) if i != at]
    used = (view.pick, *(view.frames[i] for i in others))
    reads = [functools.partial(_picture, view.frames[i]) for i in others]
    done = merge_clear_pictures(_picture(view.pick), reads, camera_of(infos[at]), on_stage)
    message = _clear_remarks(done.record, used, infos[at])
    return Merged("clear", infos[at], used, mask=done.mask, picture=done.rgb, record=_named(done.record, used),
                  remarks=message)  # fmt: skip


def _picture(path: Path) -> NDArray[np.float32]:
    return read_rendered(path)[0]


def _used(used: Sequence[Path], taken: Sequence[int]) -> tuple[Path, ...]:
    return (used[0], *(used[i + 1] for i in taken))


def _like(
    path: Path,
    info: FrameInfo,
    reference: Mosaic,
    noise: NoiseModel | None,
    frames: int,
    fit: Callable[[Sequence[Mosaic]], NoiseModel],
) -> tuple[Mosaic, NoiseModel]:
    """A frame as the reference was opened, and its noise; `noise` where it is known already, so that it need not be
    fitted again."""
    opened = open_corrected(path, info, noise, frames, fit)
    if opened.noise is None:
        raise Refused(f"the noise of {path.name} cannot be measured: it shows too little that is even.")
    mosaic, found = in_planes(opened.mosaic, opened.noise)
    if mosaic.raw.shape != reference.raw.shape or (mosaic.cfa != reference.cfa).any():
        raise Refused(f"{path.name} has another size or filter pattern than the others.")
    return mosaic, found


def _mosaic_of(read: Callable[[], tuple[Mosaic, NoiseModel]]) -> Callable[[], Mosaic]:
    """A way to read a frame's mosaic alone."""
    return lambda: read()[0]


def _named(record: dict[str, Any], used: Sequence[Path]) -> dict[str, Any]:
    """A record with frames by name instead of by number."""
    out: dict[str, Any] = {"reference": used[0].name}
    for key, value in record.items():
        out[key] = {used[i + 1].name: v for i, v in value.items()} if isinstance(value, dict) else value
    return out


def _left_out(record: dict[str, Any], used: Sequence[Path]) -> tuple[str, ...]:
    return tuple(f"{used[i + 1].name} was left out: {why}" for i, why in record["left_out"].items())


def _burst_remarks(record: dict[str, Any], taken: Sequence[int], used: Sequence[Path]) -> tuple[str, ...]:
    message = (f"merged from {len(taken) + 1} frames; noise is mostly that of "
            f"{record['frames_behind_a_place']:.1f} frames averaged")  # fmt: skip
    return (message, *_left_out(record, used))


def _bracket_remarks(record: dict[str, Any], used: Sequence[Path]) -> tuple[str, ...]:
    above, below = record["stops_gained_above"], math.log2(max(1.0, *record["exposures"].values()))
    words = ((above, "gained above the reference's highlights"), (below, "gained in the shade"))
    gains = [f"{stops:.1f} stops {where}" for stops, where in words if stops >= 0.05]
    message = f"merged from {len(record['exposures']) + 1} exposures"
    return ("; ".join([message, *gains]), *_left_out(record, used))


def _places(count: int) -> str:
    return f"{count} place{'' if count == 1 else 's'}"


def place_in_words(box: Sequence[int], info: FrameInfo) -> str:
    """Where a box (x, y, width, height) of the recorded frame's pixels lies in the frame as it was held."""
    x, y, w, h = box
    corners = np.array([[x, y], [x + w, y + h]], float) - [info.width / 2, info.height / 2]
    held = np.sort(corners @ orientation_rotation(info.orientation)[:2, :2].T, axis=0)
    size = (info.height, info.width) if info.orientation in (6, 8) else (info.width, info.height)
    right, down = 100 * (held.mean(axis=0) / size + 0.5)
    wide, high = held[1] - held[0]
    return f"{wide:.0f} x {high:.0f} pixels, {right:.0f} % from the left and {down:.0f} % down"


def _largest(boxes: Sequence[Sequence[int]], info: FrameInfo) -> str:
    """Where the largest of some places lie, in words: those that one would look at first."""
    by_size = sorted(boxes, key=lambda box: -box[2] * box[3])
    return "; ".join(place_in_words(box, info) for box in by_size[:6])


def _clear_remarks(record: dict[str, Any], used: Sequence[Path], info: FrameInfo) -> tuple[str, ...]:
    out = [
        f"visitors cleared from {record['replaced_pixels']} pixels, each filled from another frame of the same place"
    ]
    boxes = record["in_doubt_boxes"]
    if boxes:
        places = _largest(boxes, info)
        out.append(f"in {_places(len(boxes))} no two frames agree on what is behind the visitors, so the reference "
                   f"frame is left as it was: {places}")  # fmt: skip
    weak = record["weak_boxes"]
    if weak:
        places = _largest(weak, info)
        out.append(f"in {_places(len(weak))} fewer than half of the frames agree with what is shown, so look whether "
                   f"somebody is left there: {places}")  # fmt: skip
    return (*out, *_left_out(record, used))
