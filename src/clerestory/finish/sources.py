"""From a view of one or several frames to the one source that is finished."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import to_working
from clerestory.develop.glare import Glare
from clerestory.finish.source import Source, read_source, said_lost, working_of_srgb
from clerestory.merge import Merged, Refused, combine
from clerestory.merge.result import Stitched
from clerestory.raw.group import WIDE_SHARE, View
from clerestory.raw.lens import LensCorrection, lens_correction
from clerestory.raw.read import has_shading


def source_of(view: View, on_stage: Callable[[str], None] = lambda _: None) -> Source:
    """The light of a view: its frames merged as its kind asks, or its pick alone with the reason said."""
    return replace(_light_of(view, on_stage), view_frames=tuple(view.frames))


def _light_of(view: View, on_stage: Callable[[str], None]) -> Source:
    if view.kind == "single" or len(view.frames) < 2:
        return read_source(view.pick, *view.infos_of([view.pick]))
    try:
        merged = _merged(view, on_stage)
    except Refused as reason:
        alone = read_source(view.pick, *view.infos_of([view.pick]))
        message = f"the {len(view.frames)} frames were not merged: {reason} The best of them was finished alone"
        return replace(alone, remarks=(*alone.remarks, message), record={"refused": str(reason)})
    if merged.picture is not None:
        return _of_picture(merged, merged.picture)
    return _of_stitched(merged) if merged.stitched is not None else _of_mosaic(merged)


def _merged(view: View, on_stage: Callable[[str], None]) -> Merged:
    """The view's frames merged as its kind asks; frames put together that were turned too far for that are joined."""
    infos = view.infos_of(view.frames)
    try:
        return combine(view, infos, on_stage)
    except Refused as reason:
        if view.kind not in ("burst", "bracket"):
            raise
        try:
            joined = combine(replace(view, kind="panorama"), infos, on_stage)
        except Refused:
            raise reason from None
        if min(joined.record["overlap"]) > WIDE_SHARE[1]:
            raise
        return joined


def _of_mosaic(merged: Merged) -> Source:
    assert merged.mosaic is not None
    return Source(
        merged.info,
        lens_correction(merged.info),
        mosaic=merged.mosaic,
        noise=merged.noise,
        frames=merged.used,
        remarks=(*merged.info.remarks, *merged.mosaic.remarks, *merged.remarks, *said_lost(merged.mosaic)),
        mask=merged.mask,
        excess=merged.excess,
        record=merged.record,
    )


def _of_picture(merged: Merged, rgb: NDArray[np.float32]) -> Source:
    return Source(
        merged.info,
        lens_correction(merged.info),
        rendered=working_of_srgb(rgb),
        frames=merged.used,
        remarks=(*merged.info.remarks, *merged.remarks),
        mask=merged.mask,
        record=merged.record,
    )


def _of_stitched(merged: Merged) -> Source:
    stitched = merged.stitched
    assert stitched is not None
    height, width = stitched.rgb.shape[:2]
    told = "the files ask for their light to be evened out by a map, which is not done where frames are joined"
    uneven = (told,) if merged.info.asks and has_shading(merged.info.path) else ()
    info = replace(merged.info, width=width, height=height, orientation=1)
    return Source(
        info,
        LensCorrection(None, None, f"each frame before joining: {lens_correction(merged.info).source}"),
        rendered=to_working(stitched.rgb, stitched.colours, multipliers=stitched.multipliers),
        frames=merged.used,
        remarks=(*info.remarks, *merged.remarks, *uneven),
        stitched=replace(stitched, glare=_working_glare(stitched)),
        record=merged.record,
    )


def _working_glare(stitched: Stitched) -> Glare | None:
    """The glare taken out of a joined view, in working colour: as one matrix carries all light, it carries haze."""
    glare = stitched.glare
    if glare is None:
        return None
    light = to_working(glare.light.copy(), stitched.colours, multipliers=stitched.multipliers)
    return replace(glare, light=light)
