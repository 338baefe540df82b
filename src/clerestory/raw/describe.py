"""One file in words: what it is, what can be done with it, and why not."""

from __future__ import annotations

from pathlib import Path

from clerestory.raw.clipping import clipping_of
from clerestory.raw.frame import open_frame
from clerestory.raw.read import FrameInfo, Mosaic, read_info

FORM_WORDS = {
    "bayer": "raw behind a 2 x 2 (Bayer) colour filter pattern",
    "mono": "raw of a monochrome sensor",
    "linear": "linear raw with three colours at every pixel",
    "6x6": "raw behind a 6 x 6 colour filter pattern",
}


def described(path: Path) -> list[str]:
    """What a raw frame or finished picture is and what can be done with it, a line each. UserError for any other."""
    info = read_info(path)
    if not info.is_raw:
        losses = "".join(f"; {remark}" for remark in info.remarks)
        return [
            _what(info, "finished picture"),
            _taken(info),
            f"finish: yes, with its losses{losses}",
            _straight(info),
        ]
    mosaic = open_frame(path, info).mosaic
    lines = [
        _what(info, FORM_WORDS[mosaic.form]),
        _taken(info),
        f"levels: black {mosaic.black.mean():g}, white {mosaic.white.min():g}",
        "finish: yes",
        _merge(mosaic),
        _straight(info),
        _balance(mosaic),
    ]
    told = (*info.remarks, *mosaic.remarks, clipping_of(mosaic).message)
    return [*lines, *(f"note: {remark}" for remark in told if remark)]


def _what(info: FrameInfo, form: str) -> str:
    camera = info.model if info.model.startswith(info.make) else f"{info.make} {info.model}".strip()
    return f"{info.path.name}: {form}, {info.width} x {info.height} pixels, {camera or 'camera not named'}"


def _taken(info: FrameInfo) -> str:
    """How it was taken, as far as the file says."""
    seconds = ""
    if info.seconds:
        seconds = f"{info.seconds:g} s" if info.seconds >= 0.3 else f"1/{1 / info.seconds:.0f} s"
    focal = f"{info.focal_mm:g} mm" if info.focal_mm else ""
    told = [
        info.time.isoformat(" ", "seconds") if info.time else "",
        seconds,
        f"f/{info.f_number:g}" if info.f_number else "",
        f"ISO {info.iso:g}" if info.iso else "",
        focal + (f" ({info.equivalent_mm:.0f} mm on 36 x 24 mm)" if info.equivalent_mm else ""),
    ]
    return "taken: " + (", ".join(t.strip() for t in told if t.strip()) or "the file does not say how")


def _merge(mosaic: Mosaic) -> str:
    if abs(mosaic.pixel_aspect - 1) > 0.01:
        return "merge with others: no, this camera's pixels are not square; the best of a view is finished alone"
    return "merge with others: yes (burst, bracket, visitors taken out, joined)"


def _straight(info: FrameInfo) -> str:
    if (info.focal_mm and info.sensor_mm) or info.equivalent_mm:
        return "straighten: yes, where the building's lines are sure"
    return "straighten: where the building's lines tell the focal length, which the file does not give"


def _balance(mosaic: Mosaic) -> str:
    if mosaic.form == "mono":
        return "colour: none"
    balance = "white balance as shot" if mosaic.as_shot else "no white balance in the file: estimated from the stone"
    matrix = "the camera's own matrix" if mosaic.xyz_to_camera is not None else "no colour matrix: taken as sRGB's"
    if mosaic.profile is not None and len(mosaic.profile.kelvins) == 2:
        low, high = sorted(mosaic.profile.kelvins)
        matrix = f"the camera's own matrices for {low:.0f} and {high:.0f} K, and what lies between"
    return f"colour: {balance}; {matrix}"
