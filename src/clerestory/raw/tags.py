"""What a frame's tags say: a thin, forgiving reader over the exiv2 library.

Names of tags are those of EXIF 2.32 (CIPA DC-008), TIFF/EP and the DNG specification; makers' own tags go by the
names of the exiv2 library. A tag that is missing, empty or nonsense reads as None.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import exiv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.lens import Distortion

exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.mute)
exiv2.XmpParser.initialize()

# Diagonal of the 36 x 24 mm frame that equivalent focal lengths refer to.
FULL_FRAME_DIAGONAL = math.hypot(36.0, 24.0)
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
_PLACES = ("Exif.Photo", "Exif.Image", "Exif.SubImage1", "Exif.SubImage2", "Exif.SubImage3", "Exif.SubImage4")


def _clean(text: str) -> str:
    """A tag's text without control characters, and without bytes that are not UTF-8; at most 500 characters."""
    whole = text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return "".join(c if c.isprintable() else " " for c in whole[:500]).strip()


class Tags:
    """The EXIF tags of one file."""

    def __init__(self, path: Path) -> None:
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        self._image = image  # keeps the data alive
        self._data = image.exifData()
        self.size: tuple[int, int] = (image.pixelWidth(), image.pixelHeight())
        self.mime: str = image.mimeType()

    def _find(self, name: str) -> Any:
        keys = [name] if name.startswith("Exif.") else [f"{place}.{name}" for place in _PLACES]
        for key in keys:
            try:
                found = self._data.findKey(exiv2.ExifKey(key))
            except exiv2.Exiv2Error:  # a group or name this version of the library does not know
                continue
            if found != self._data.end() and found.size() > 0:
                return found
        return None

    def text(self, *names: str) -> str:
        """The first of these tags that holds text, stripped; '' when none does."""
        for name in names:
            found = self._find(name)
            if found is not None:
                value = _clean(found.toString())
                if value:
                    return value
        return ""

    def numbers(self, *names: str) -> list[float]:
        """All the numbers of the first of these tags that holds any; fractions over 0 become nan."""
        for name in names:
            found = self._find(name)
            if found is None or found.count() > 65536:
                continue
            rational = "ational" in (found.typeName() or "")
            out = []
            for i in range(found.count()):
                above, below = found.toRational(i) if rational else (found.toFloat(i), 1)
                out.append(above / below if below else math.nan)
            if out:
                return out
        return []

    def number(self, *names: str) -> float | None:
        """The first usable number among these tags: finite and not zero."""
        for name in names:
            values = self.numbers(name)
            if values and math.isfinite(values[0]) and values[0] != 0:
                return values[0]
        return None

    def speed_of_maker(self) -> float | None:
        """ISO speed from makers' own tags, as exiv2 knows them."""
        found = exiv2.isoSpeed(self._data)
        if found is None or found == self._data.end() or found.count() < 1:
            return None
        value = float(found.toFloat(0))
        return value if 0 < value < 1e7 else None

    def data(self, name: str) -> bytes:
        """A tag's bytes as they stand in the file; b'' when it is missing."""
        found = self._find(name)
        if found is None:
            return b""
        value = found.getValue()  # must outlive the view of its bytes
        # A damaged file may give the tag another type, which has no plain bytes.
        return bytes(memoryview(value.data())) if isinstance(value, exiv2.DataValue) else b""


def time_of(tags: Tags) -> datetime | None:
    """When the frame was taken, by the camera's own clock, with fractions of a second where the file has them."""
    stamp = tags.text(
        "Exif.Photo.DateTimeOriginal",
        "Exif.Image.DateTimeOriginal",
        "Exif.Photo.DateTimeDigitized",
        "Exif.Image.DateTime",
    )
    for form in ("%Y:%m:%d %H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"):
        try:
            moment = datetime.strptime(stamp[:19], form)
        except ValueError:
            continue
        fraction = tags.text("Exif.Photo.SubSecTimeOriginal", "Exif.Photo.SubSecTime")
        if fraction.isdigit():
            moment += timedelta(seconds=float(f"0.{fraction[:6]}"))
        return moment
    return None


def seconds_of(tags: Tags) -> float | None:
    """Exposure time in seconds."""
    plain = tags.number("ExposureTime")
    if plain is not None and plain > 0:
        return plain
    apex = tags.numbers("Exif.Photo.ShutterSpeedValue", "Exif.Image.ShutterSpeedValue")
    return 2.0 ** -apex[0] if apex and math.isfinite(apex[0]) and abs(apex[0]) < 30 else None


def f_number_of(tags: Tags) -> float | None:
    """Aperture as N of f/N."""
    plain = tags.number("FNumber")
    if plain is not None and plain > 0:
        return plain
    apex = tags.numbers("Exif.Photo.ApertureValue", "Exif.Image.ApertureValue")
    return 2.0 ** (apex[0] / 2) if apex and math.isfinite(apex[0]) and 0 < apex[0] < 20 else None


def iso_of(tags: Tags) -> float | None:
    """ISO speed. 65535 in the old 16-bit tag means "see the newer ones" (EXIF 2.3, 4.6.5)."""
    plain = tags.number("ISOSpeedRatings")
    if plain is not None and 0 < plain < 65535:
        return plain
    newer = tags.number(
        "Exif.Photo.RecommendedExposureIndex",
        "Exif.Photo.StandardOutputSensitivity",
        "Exif.Photo.ISOSpeed",
        "Exif.Image.ExposureIndex",
    )
    if newer is not None and newer > 0:
        return newer
    return tags.speed_of_maker()


def level_of(tags: Tags) -> tuple[float, float] | None:
    """Pitch up and roll clockwise in degrees from the camera's own level, where the file gives both.

    EXIF 2.31 has CameraElevationAngle for the pitch and nothing for the roll, which is looked for as text, "level
    roll -1.25", in the user comment. Signs and scales of the makers' tags are from memory of public tag tables;
    they are a starting point for straightening, which checks them against the picture.
    """
    elevation = tags.numbers("Exif.Photo.CameraElevationAngle")
    words = re.search(r"level roll ([+-]?\d+(?:\.\d+)?)", tags.text("Exif.Photo.UserComment"))
    if elevation and math.isfinite(elevation[0]) and abs(elevation[0]) <= 180 and words:
        return elevation[0], float(words.group(1))
    roll, pitch = tags.numbers("Exif.Panasonic.RollAngle"), tags.numbers("Exif.Panasonic.PitchAngle")
    if roll and pitch and max(abs(roll[0]), abs(pitch[0])) < 1800:
        return -pitch[0] / 10, roll[0] / 10
    roll, pitch = tags.numbers("Exif.OlympusCs.LevelGaugeRoll"), tags.numbers("Exif.OlympusCs.LevelGaugePitch")
    if len(roll) == 2 and len(pitch) == 2 and roll[1] and pitch[1]:
        return pitch[0] / 10, -roll[0] / 10
    return None


@dataclass(frozen=True)
class Optics:
    """Focal length, equivalent focal length, sensor size in mm, and what had to be guessed."""

    focal_mm: float | None
    equivalent_mm: float | None
    sensor_mm: tuple[float, float] | None
    remarks: tuple[str, ...]


def _pitch_from_plane(tags: Tags, width: int) -> float | None:
    """Width of one raw pixel, mm, from FocalPlaneXResolution, which counts pixels of the full-size picture."""
    # Some writers put the EXIF tags into the main directory, where exiv2 knows them by number only.
    resolution = tags.number("FocalPlaneXResolution", "Exif.Image.0xa20e")
    unit = _UNIT_MM.get(int(tags.number("FocalPlaneResolutionUnit", "Exif.Image.0xa210") or 2), 25.4)
    if resolution is None or resolution <= 0:
        return None
    stated = tags.number("Exif.Photo.PixelXDimension") or float(width)
    # A camera set to write small pictures beside the raw counts the small picture's pixels.
    pixels = stated if not 0.9 < stated / width < 1.1 else float(width)
    return unit / resolution * pixels / width


def _width_from_maker(tags: Tags) -> float | None:
    """Sensor width, mm, from the one maker's tag that gives it (thousandths of an inch)."""
    plane = tags.numbers("Exif.Canon.FocalLength")
    return plane[2] * 0.0254 if len(plane) == 4 and 100 < plane[2] < 2500 else None


def _focal_of(tags: Tags) -> float | None:
    """Real focal length, mm: the standard tag, else the maker's own in the maker's own units."""
    plain = tags.number("FocalLength")
    if plain is None:
        steps, units = tags.numbers("Exif.Canon.FocalLength"), tags.numbers("Exif.CanonCs.Lens")
        plain = steps[1] / units[2] if len(steps) == 4 and len(units) >= 3 and units[2] > 0 else None
    return plain if plain is not None and 0.5 < plain < 3000 else None


def optics_of(tags: Tags, size: tuple[int, int], aspect: float, crop_factor: Callable[[], float | None]) -> Optics:
    """Focal length and sensor size of a frame of `size` pixels, each `aspect` times as wide as high.

    In this order: pixels per inch on the sensor, the maker's own tag, the camera's entry in the lens database
    (`crop_factor`), the ratio of equivalent to real focal length (rounded to whole millimetres by most cameras).
    """
    remarks: list[str] = []
    focal, equivalent = _focal_of(tags), tags.number("FocalLengthIn35mmFilm")
    equivalent = equivalent if equivalent is not None and 1 < equivalent < 6000 else None
    shape = size[1] / (size[0] * aspect)
    pitch = _pitch_from_plane(tags, size[0])
    width = pitch * size[0] if pitch else _width_from_maker(tags)
    if width is not None and not 2.5 < width < 75:
        remarks.append(f"the sensor width of {width:.1f} mm in the file is not plausible and is not used")
        width = None
    if width is None:
        crop = crop_factor()
        if crop is None and focal and equivalent:
            crop = equivalent / focal
            error = 50 / equivalent
            remarks.append(
                f"sensor size from the camera's rounded equivalent focal length: accurate to {error:.1f} %"
            )
        if crop is not None and 0.3 < crop < 20:
            width = FULL_FRAME_DIAGONAL / crop / math.hypot(1, shape)
    if focal is None and equivalent is None:
        remarks.append("the file gives no focal length")
    elif width is None and equivalent is None:
        remarks.append("the file gives a focal length but no sensor size")
    sensor = (width, width * shape) if width else None
    if equivalent is None and focal and sensor:
        equivalent = focal * FULL_FRAME_DIAGONAL / math.hypot(*sensor)
    return Optics(focal, equivalent, sensor, tuple(remarks))


def opcodes(blob: bytes) -> list[tuple[int, bytes]]:
    """The (id, parameters) of a DNG opcode list, big-endian whatever the file's own order (DNG 1.4, chapter 7)."""
    if len(blob) < 4:
        return []
    (count,) = struct.unpack_from(">I", blob)
    out: list[tuple[int, bytes]] = []
    place = 4
    for _ in range(min(count, 64)):
        if place + 16 > len(blob):
            break
        kind, _version, _flags, size = struct.unpack_from(">IIII", blob, place)
        if place + 16 + size > len(blob):
            break
        out.append((kind, blob[place + 16 : place + 16 + size]))
        place += 16 + size
    return out


def lens_from_opcodes(
    blob: bytes,
) -> tuple[Distortion | None, tuple[float, float, float, float, float] | None]:
    """Distortion (opcode 1, of the green plane when planes differ) and vignetting k0..k4 (opcode 3), or None."""
    warp: Distortion | None = None
    shade: tuple[float, float, float, float, float] | None = None
    for kind, body in opcodes(blob):
        if kind == 1 and len(body) >= 4:
            (planes,) = struct.unpack_from(">I", body)
            if planes not in (1, 3) or len(body) < 4 + planes * 48 + 16:
                continue
            k = struct.unpack_from(">6d", body, 4 + (48 if planes == 3 else 0))
            centre = struct.unpack_from(">2d", body, 4 + planes * 48)
            # Beyond these no photographic lens goes; damaged bytes do.
            if np.isfinite([*k, *centre]).all() and 0.2 < k[0] < 5 and max(map(abs, k[1:])) < 5:
                warp = Distortion((k[0], k[1], k[2], k[3]), (k[4], k[5]), (centre[0], centre[1]))
        elif kind == 3 and len(body) >= 56:
            k = struct.unpack_from(">5d", body)
            if np.isfinite(k).all() and max(map(abs, k)) < 1e3:
                shade = (k[0], k[1], k[2], k[3], k[4])
    return warp, shade


def colour_matrix_of(tags: Tags) -> NDArray[np.float64] | None:
    """XYZ to camera, 3 x 3, from a DNG's tags: the matrix for daylight where there are two (DNG 1.4, chapter 6)."""
    daylight = {20: 1, 21: 0, 22: 2, 23: 3, 1: 4, 9: 4, 4: 4}  # D55, D65, D75, D50, daylight, fine weather, flash
    choices = []
    for i in (1, 2):
        values = tags.numbers(f"ColorMatrix{i}")
        if len(values) == 9 and np.isfinite(values).all():
            light = int(tags.number(f"CalibrationIlluminant{i}") or 0)
            choices.append((daylight.get(light, 9), -i, values, tags.numbers(f"CameraCalibration{i}")))
    if not choices:
        return None
    _, _, values, calibration = min(choices, key=lambda c: c[:2])
    matrix = np.array(values).reshape(3, 3)
    if len(calibration) == 9 and np.isfinite(calibration).all():
        matrix = np.array(calibration).reshape(3, 3) @ matrix
    balance = tags.numbers("AnalogBalance")
    if len(balance) == 3 and np.isfinite(balance).all() and min(balance) > 0:
        matrix = np.diag(balance) @ matrix
    return matrix if abs(np.linalg.det(matrix)) > 1e-6 else None
