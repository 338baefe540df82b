"""Reading frames: what a file says of itself, and its raw mosaic."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import cv2
import exiv2
import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import Image

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.errors import UserError
from clerestory.raw import coded, facts, lattice, rendered
from clerestory.raw import tags as tag
from clerestory.raw.lens_database import database
from clerestory.raw.profile import Profile, profile_of
from clerestory.raw.suffixes import RENDERED_SUFFIXES
from clerestory.raw.tags import Tags

# CIE 15: white point of D65, Y = 1.
D65 = np.array([0.95047, 1.0, 1.08883])
MAX_PIXELS = 400_000_000
# How a raw file holds colour: a 2 x 2 filter pattern, none on one channel, three values a pixel, a 6 x 6 pattern.
Form = Literal["bayer", "mono", "linear", "6x6"]
_LIBRAW = (rawpy.LibRawError, rawpy.NotSupportedError, OSError, ValueError, AttributeError, TypeError, MemoryError)


@dataclass(frozen=True)
class FrameInfo:
    """What a file says of how it was taken. None where it says nothing.

    `focal_mm` is the real focal length; `equivalent_mm` that on 36 x 24 mm; `sensor_mm` width and height of the
    sensor; `level` pitch and roll in degrees from the camera's own level sensor; `distortion` the lens's own
    coefficients in the file; `vignetting` the k0..k4 of the DNG specification's FixVignetteRadial opcode.
    `width` and `height` are those of the visible area as recorded, not rotated. `pixel_aspect` is a pixel's width
    over its height (1 for nearly every camera); `intrinsics` are those of the frame at `square_size`.
    `colour_matrix`: XYZ to camera, nine numbers row by row, where the file carries its own (a DNG's ColorMatrix).
    `asks`: whether the file asks for more than that of its reader (see `facts`), which is read with the mosaic.
    `calibrated`: whether it says how its colours change with the light (see `profile`), which is read then too.
    """

    path: Path
    width: int
    height: int
    time: datetime | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    serial: str = ""
    focal_mm: float | None = None
    equivalent_mm: float | None = None
    sensor_mm: tuple[float, float] | None = None
    f_number: float | None = None
    seconds: float | None = None
    iso: float | None = None
    orientation: int = 1
    level: tuple[float, float] | None = None
    distortion: Distortion | None = None
    vignetting: tuple[float, float, float, float, float] | None = None
    is_raw: bool = True
    remarks: tuple[str, ...] = ()
    pixel_aspect: float = 1.0
    colour_matrix: tuple[float, ...] | None = None
    asks: bool = False
    calibrated: bool = False

    @property
    def held_level(self) -> tuple[float, float] | None:
        """The camera's own level for the frame as held, after its orientation.

        Cameras count the roll of a frame taken upright either from the body's own level or from how it was held.
        """
        if self.level is None:
            return None
        pitch, roll = self.level
        own = {3: 180.0, 6: 90.0, 8: -90.0}.get(self.orientation, 0.0)
        from_held = (roll - own + 180) % 360 - 180
        return pitch, min((roll, from_held), key=abs)

    @property
    def square_size(self) -> tuple[int, int]:
        """Width and height once pixels are made square as LibRaw does it: by stretching, never by shrinking."""
        if self.pixel_aspect > 1:
            return int(self.width * self.pixel_aspect + 0.5), self.height
        return self.width, int(self.height / self.pixel_aspect + 0.5)

    @property
    def intrinsics(self) -> Camera | None:
        """The pinhole camera of this frame, or None when the file gives no usable focal length."""
        width, height = self.square_size
        if self.focal_mm and self.sensor_mm:
            return Camera.of(width, height, self.focal_mm, self.sensor_mm[0])
        if self.equivalent_mm:
            # Same angle across the diagonal as on 36 x 24 mm.
            focal = self.equivalent_mm * np.hypot(width, height) / np.hypot(36, 24)
            return Camera(width, height, float(focal), (width - 1) / 2, (height - 1) / 2)
        return None


@dataclass
class Mosaic:
    """The raw values of one frame, as recorded, visible area only, not rotated.

    `raw`: uint16 H x W. `cfa`: 2 x 2, the channel (0 R, 1 G beside red, 2 B, 3 G beside blue) of the pixel at
    (row % 2, column % 2). `black`, `white`: per channel (4,), raw units. `as_shot`: white-balance multipliers
    (R, G, B) with G = 1, None where the file has none; `daylight`: the same for daylight from the colour matrix.
    `xyz_to_camera`: 3 x 3 (the DNG ColorMatrix sense), for daylight, None where unknown; `profile`: where the file
    says how colours change with the light. `pixel_aspect`: width over height of one
    pixel.

    `form`: what the file holds. 'bayer': `raw` is all of it. 'mono': the same, every pixel without a filter; `cfa` is
    then no more than a way to deal pixels to four planes. 'linear' and '6x6': `whole` is what was recorded, uint16
    H x W x 3 or H x W (behind `pattern`, 6 x 6 of 0 R, 1 G, 2 B), and `raw` a Bayer mosaic of values picked from it
    (H x W, or H/3 x W/3), by which the frame is looked at, sorted and measured.

    `bad`: places (n, 2), row and column, that the file itself lists as defective. `shading`: gains, float32 h x w x 3
    over the whole frame, by which the file asks its light to be evened out. `remarks`: sentences for the report.
    """

    raw: NDArray[np.uint16]
    cfa: NDArray[np.int8]
    black: NDArray[np.float64]
    white: NDArray[np.float64]
    as_shot: tuple[float, float, float] | None
    daylight: tuple[float, float, float] | None
    xyz_to_camera: NDArray[np.float64] | None
    pixel_aspect: float = 1.0
    form: Form = "bayer"
    whole: NDArray[np.uint16] | None = None
    pattern: NDArray[np.int8] | None = None
    bad: NDArray[np.int32] | None = None
    shading: NDArray[np.float32] | None = None
    remarks: tuple[str, ...] = ()
    profile: Profile | None = None

    @property
    def colours(self) -> NDArray[np.float64] | Profile | None:
        """What is known of the camera's colours: its profile, else its one matrix, None where neither is."""
        return self.profile or self.xyz_to_camera

    def plane(self, row: int, column: int) -> NDArray[np.uint16]:
        """One of the four colour planes, a view: pixels at (row::2, column::2)."""
        return self.raw[row::2, column::2]


def _sniff(path: Path) -> str:
    """What the first bytes of a file say it is: 'jpeg', 'png', 'heic' or ''. Refuses empty and missing files."""
    try:
        with path.open("rb") as file:
            start = file.read(12)
    except IsADirectoryError as problem:
        raise UserError(f"{path}: is a folder, not a frame.") from problem
    except OSError as problem:
        raise UserError(
            f"{path}: cannot be opened ({problem.strerror}); check that it is there and readable."
        ) from problem
    if not start:
        raise UserError(f"{path}: is empty (0 bytes); copy it again from the card.")
    if start.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if rendered.is_heif(start):
        return "heic"
    return "png" if start.startswith(b"\x89PNG\r\n\x1a\n") else ""


def _reason(problem: BaseException) -> str:
    """A library's complaint in words."""
    first = problem.args[-1] if problem.args else ""
    text = first.decode("utf-8", "replace") if isinstance(first, bytes) else str(first)
    return text.strip() or type(problem).__name__


def _start_raw(path: Path) -> rawpy.RawPy:
    """LibRaw's handle on a file, identified but not unpacked."""
    kind = _sniff(path)
    if kind and path.suffix.lower() not in RENDERED_SUFFIXES:
        raise UserError(
            f"{path}: holds a {kind.upper()} picture, not a raw file as its name says; rename it to "
            f".{kind} to use it as a finished picture."
        )
    if kind:
        raise UserError(f"{path}: is a {kind.upper()} picture, not a raw file.")
    handle = rawpy.RawPy()
    try:
        handle.open_file(str(path))
        sizes = handle.sizes
    except rawpy.LibRawFileUnsupportedError as problem:
        raise UserError(
            f"{path}: is not a raw file that can be read: damaged, not a picture, or a camera LibRaw "
            f"does not know; copy it again from the card or leave it out."
        ) from problem
    except _LIBRAW as problem:
        raise UserError(
            f"{path}: cannot be read as a raw file ({_reason(problem)}); the file is damaged or cut "
            "short: copy it again from the card."
        ) from problem
    if min(sizes.width, sizes.height) < 16 or sizes.raw_width * sizes.raw_height > MAX_PIXELS:
        handle.close()
        raise UserError(
            f"{path}: claims {sizes.raw_width} x {sizes.raw_height} pixels, which is not believable; "
            "the file is damaged: copy it again from the card."
        )
    return handle


def open_raw(path: Path) -> rawpy.RawPy:
    """LibRaw's handle on a file, unpacked; one clear sentence when it cannot be read."""
    handle = _start_raw(path)
    try:
        _ = handle.raw_image_visible
    except _LIBRAW as problem:
        handle.close()
        raise UserError(
            f"{path}: cannot be read as a raw file ({_reason(problem)}); copy it again from the card."
        ) from problem
    return handle


def _tags(path: Path) -> Tags | None:
    try:
        return Tags(path)
    except (exiv2.Exiv2Error, ValueError, RuntimeError, UnicodeDecodeError):
        return None


@functools.lru_cache(maxsize=64)
def _crop_factor(make: str, model: str) -> float | None:
    """The camera's crop factor in the lens database, None when it is not there."""
    known = database() if make and model else None
    found = known.find_cameras(make, model) if known is not None else []
    return float(found[0].crop_factor) if found else None


def read_info(path: Path) -> FrameInfo:
    """What a raw file, JPEG, TIFF or PNG says of how it was taken; UserError when it is no such file."""
    path = Path(path)
    if path.suffix.lower() in RENDERED_SUFFIXES:
        return _rendered_info(path)
    with _start_raw(path) as handle:
        sizes = handle.sizes
        size = (int(sizes.width), int(sizes.height))
        aspect = float(sizes.pixel_aspect) or 1.0
        aspect = aspect if 0.25 < aspect < 4 else 1.0
        found = _tags(path)
        bare = FrameInfo(path, *size, remarks=("no readable tags",))
        info = _described(path, size, found, aspect) if found else bare
        if not (info.time and info.iso and info.seconds):
            info = _filled(info, handle)
    remarks = info.remarks
    if abs(aspect - 1) > 0.01:
        remarks += (f"pixels are not square (width over height {aspect:.3f})",)
    orientation = {0: 1, 3: 3, 5: 8, 6: 6}.get(int(sizes.flip), info.orientation)
    return replace(info, orientation=orientation, pixel_aspect=aspect, remarks=remarks)


def _filled(info: FrameInfo, handle: rawpy.RawPy) -> FrameInfo:
    """What LibRaw knows where the tags are silent. Unpacks the frame."""
    try:
        other = handle.other
        moment, iso, seconds = other.timestamp, float(other.iso_speed), float(other.shutter_speed)
        f_number, focal = float(other.aperture), float(other.focal_length)
    except _LIBRAW:
        return info
    believable = isinstance(moment, datetime) and 1990 < moment.year < 2100
    return replace(
        info,
        time=info.time or (moment.replace(tzinfo=None) if believable else None),
        iso=info.iso or (iso if 0 < iso < 1e7 else None),
        seconds=info.seconds or (seconds if 0 < seconds < 1e5 else None),
        f_number=info.f_number or (f_number if 0.3 < f_number < 200 else None),
        focal_mm=info.focal_mm or (focal if 0.5 < focal < 3000 else None),
    )


def _described(path: Path, size: tuple[int, int], tags: Tags, aspect: float = 1.0) -> FrameInfo:
    """The FrameInfo that a file's tags make."""
    make, model = tags.text("Exif.Image.Make"), tags.text("Exif.Image.Model", "Exif.Image.UniqueCameraModel")
    optics = tag.optics_of(tags, size, aspect, lambda: _crop_factor(make, model))
    warp, shade = tag.lens_from_opcodes(tags.data("OpcodeList3"))
    matrix = tag.colour_matrix_of(tags)
    orientation = int(tags.number("Exif.Image.Orientation") or 1)
    return FrameInfo(
        path,
        *size,
        time=tag.time_of(tags),
        make=make,
        model=model,
        lens=tags.text("Exif.Photo.LensModel", "Exif.OlympusEq.LensModel", "Exif.Panasonic.LensType"),
        serial=tags.text("Exif.Photo.BodySerialNumber", "Exif.Image.CameraSerialNumber"),
        focal_mm=optics.focal_mm,
        equivalent_mm=optics.equivalent_mm,
        sensor_mm=optics.sensor_mm,
        f_number=tag.f_number_of(tags),
        seconds=tag.seconds_of(tags),
        iso=tag.iso_of(tags),
        orientation=orientation if 1 <= orientation <= 8 else 1,
        level=tag.level_of(tags),
        distortion=warp,
        vignetting=shade,
        remarks=optics.remarks,
        colour_matrix=None if matrix is None else tuple(float(v) for v in matrix.ravel()),
        asks=facts.asks(tags),
        calibrated=profile_of(tags) is not None,
    )


def _rendered_info(path: Path) -> FrameInfo:
    """FrameInfo of a JPEG, TIFF or PNG."""
    kind = _sniff(path)
    remarks: tuple[str, ...] = ()
    if not kind and path.suffix.lower() not in (".tif", ".tiff"):
        raise UserError(
            f"{path}: does not hold the kind of picture its name says; if it is a raw file, give it back "
            "its own ending, else leave it out."
        )
    try:
        if not kind:
            with tifffile.TiffFile(path) as tif:
                page = tif.pages[0]
                if int(page.photometric) in (32803, 34892) or 50706 in page.tags:
                    raise UserError(
                        f"{path}: is a raw file, not a finished picture as its name says; give it back "
                        "its own ending, .dng for instance."
                    )
                size, deep = (int(page.imagewidth), int(page.imagelength)), int(page.bitspersample) > 8
        elif kind == "heic":
            handle = rendered.open_heif(path)
            size, deep, remarks = (
                tuple(handle.size),
                handle.info.get("bit_depth", 8) > 8,
                rendered.said_of_heif(path, handle),
            )
        else:
            with Image.open(path) as picture:
                size, deep = picture.size, False
    except UserError:
        raise
    except Exception as problem:  # of a damaged file, the libraries raise nearly everything there is
        raise UserError(
            f"{path}: cannot be read as a picture ({_reason(problem)}); it is damaged or wrongly "
            "named: copy it again or leave it out."
        ) from problem
    if size[0] * size[1] > MAX_PIXELS or min(size) < 1:
        raise UserError(f"{path}: claims {size[0]} x {size[1]} pixels, which is not believable; leave it out.")
    found = _tags(path)
    info = _described(path, size, found) if found else FrameInfo(path, *size, remarks=("no readable tags",))
    if kind == "heic":  # libheif has turned it upright
        info = replace(info, orientation=1)
    return replace(info, is_raw=False, remarks=(*info.remarks, *remarks, *lost_in_rendering(deep)))


WHITE_GONE = "highlights above its white are gone"


def lost_in_rendering(deep: bool) -> tuple[str, ...]:
    """What a finished picture no longer has that a raw frame would."""
    levels = () if deep else ("8 bits: shadows cannot be lifted far before they break into steps",)
    return (
        *levels,
        "the camera's tone curve is already applied and can only be undone roughly",
        "white balance is baked in",
        WHITE_GONE,
    )


def daylight_of(matrix: NDArray[np.float64]) -> tuple[float, float, float] | None:
    """Multipliers (G = 1) that make D65 neutral for a camera of this XYZ-to-camera matrix, 3 x 3."""
    neutral = matrix @ D65
    if not np.isfinite(neutral).all() or neutral.min() <= 1e-4:
        return None
    return float(neutral[1] / neutral[0]), 1.0, float(neutral[1] / neutral[2])


def _usable_balance(levels: list[float]) -> tuple[float, float, float] | None:
    """The camera's own multipliers with G = 1, or None when they cannot be meant."""
    if len(levels) < 3 or not np.isfinite(levels[:3]).all() or min(levels[:3]) <= 0:
        return None
    r, b = levels[0] / levels[1], levels[2] / levels[1]
    return (r, 1.0, b) if 0.1 < r < 20 and 0.1 < b < 20 else None


def _bayer(handle: rawpy.RawPy) -> tuple[NDArray[np.int8], list[int]] | None:
    """The 2 x 2 of channels (0 R, 1 G beside red, 2 B, 3 G beside blue), and LibRaw's own number of each; None for
    other colours or another order of them."""
    named = _named(handle)
    if sorted(named[0] + named[1]) != ["B", "G", "G", "R"] or "G" not in named[0] or "G" not in named[1]:
        return None
    cfa, own = np.zeros((2, 2), np.int8), [0, 0, 0, 0]
    for row in range(2):
        for column in range(2):
            channel = {"R": 0, "B": 2, "G": 1 if "R" in named[row] else 3}[named[row][column]]
            cfa[row, column] = channel
            own[channel] = int(handle.raw_pattern[row, column])
    return cfa, own


def _named(handle: rawpy.RawPy) -> list[list[str]]:
    """The filter pattern in letters."""
    letters = handle.color_desc.decode("ascii", "replace")
    return [[letters[c] if c < len(letters) else "?" for c in row] for row in handle.raw_pattern.tolist()]


def _form_of(handle: rawpy.RawPy, path: Path) -> Form:
    """How an unpacked file holds colour; UserError, in one sentence, for what no picture can be made of yet."""
    why = ""
    pattern = handle.raw_pattern
    if handle.raw_type != rawpy.RawType.Flat:
        if path.suffix.lower() == ".x3f":
            why = "is of a layered sensor, whose colours are not those of filters"
        elif handle.num_colors != 3:
            why = f"has {handle.num_colors} colours at every pixel"
        else:
            return "linear"
    elif handle.num_colors == 1:
        return "mono"
    elif pattern is None:
        why = "has one value at every pixel and yet no colour filter pattern"
    elif pattern.shape == (6, 6) and handle.num_colors == 3:
        return "6x6"
    elif pattern.shape != (2, 2):
        why = f"has a {pattern.shape[0]} x {pattern.shape[1]} colour filter pattern, not a Bayer or 6 x 6 one"
    elif _bayer(handle) is None:
        named = _named(handle)
        why = f"has the filter colours {named[0] + named[1]}, not red, green and blue in Bayer's order"
    if why:
        raise UserError(
            f"{path}: {why}; raw work needs a Bayer or 6 x 6 pattern, one channel, or three values a pixel. Convert "
            "it to a 16-bit TIFF and use that."
        )
    return "bayer"


def _cut_short(raw: NDArray[np.uint16], white: float) -> bool:
    """Whether the last rows hold one single value, as LibRaw leaves them when the data ran out."""
    rows = max(8, raw.shape[0] // 50)
    end = raw[-rows:]
    return bool((end == end[0, 0]).all() and (end[0, 0] < white).all())


_PACKINGS = {52546: "JPEG XL", 9: "VC-5"}  # Compression: DNG 1.7; SMPTE ST 2073 in TIFF, from memory


def _packing(path: Path) -> str:
    """Which way that is, where it is one of those known by name."""
    tags = _tags(path)
    if tags is None:
        return ""
    places = ("Image", "SubImage1", "SubImage2", "SubImage3", "SubImage4")
    used = [int(n) for place in places for n in tags.numbers(f"Exif.{place}.Compression")]
    return next((f" ({_PACKINGS[n]})" for n in used if n in _PACKINGS), "")


def _unpacked(handle: rawpy.RawPy, path: Path) -> None:
    try:
        handle.unpack()
    except rawpy.LibRawFileUnsupportedError as problem:
        raise UserError(
            f"{path}: its picture data is packed in a way that LibRaw does not read{_packing(path)}; convert it to a "
            "DNG without loss, or to a 16-bit TIFF, and use that."
        ) from problem
    except _LIBRAW as problem:
        raise UserError(
            f"{path}: its picture data cannot be read ({_reason(problem)}); the file is damaged or "
            "cut short: copy it again from the card."
        ) from problem


def _values(handle: rawpy.RawPy, path: Path, form: Form) -> NDArray[np.uint16]:
    """What was recorded, visible area only: uint16 H x W, or H x W x 3 of a linear file."""
    try:
        seen = handle.raw_image_visible
        values = np.array(seen[..., :3] if form == "linear" else seen, dtype=np.uint16)
    except (*_LIBRAW, IndexError) as problem:
        raise UserError(
            f"{path}: its raw values cannot be reached ({_reason(problem)}); raw work needs whole numbers, one or "
            "three for each pixel. Convert it to a 16-bit TIFF and use that."
        ) from problem
    if values.ndim != (3 if form == "linear" else 2):
        raise UserError(f"{path}: holds {values.ndim - 1} dimensions of values; convert it to a 16-bit TIFF.")
    return values


_DEALT = np.array([[0, 1], [3, 2]], np.int8)  # how values picked from other forms are laid out


def _laid_out(handle: rawpy.RawPy, path: Path) -> tuple[Mosaic, list[int]]:
    """The recorded values as a mosaic still without levels and colours, and LibRaw's own number of each channel."""
    form = _form_of(handle, path)
    values = _values(handle, path, form)
    none = np.zeros(4)
    if form == "linear":
        picked = lattice.picked_from_three(values, _DEALT)
        return Mosaic(picked, _DEALT, none, none, None, None, None, form=form, whole=values), [0, 1, 2, 1]
    if form == "6x6":
        pattern = np.asarray(handle.raw_colors_visible[:6, :6] % 3, np.int8)  # a second green counts as green
        if not lattice.is_known(pattern) or min(values.shape) < 96:
            raise UserError(f"{path}: its 6 x 6 filter pattern is not one of red, green and blue; leave it out.")
        picked = lattice.picked(values, pattern, _DEALT)
        whole = Mosaic(picked, _DEALT, none, none, None, None, None, form=form, whole=values, pattern=pattern)
        return whole, [0, 1, 2, 1]
    if form == "mono":
        return Mosaic(values, _DEALT, none, none, None, None, None, form=form), [0, 0, 0, 0]
    found = _bayer(handle)
    assert found is not None
    return Mosaic(values, found[0], none, none, None, None, None), found[1]


def read_mosaic(path: Path, info: FrameInfo | None = None) -> Mosaic:
    """The raw values of a frame. UserError for a damaged file and for a sensor that no picture can be made of yet.

    Supported: any raw LibRaw unpacks to one value per pixel behind a 2 x 2 pattern of red, green, green, blue or a
    6 x 6 pattern of the three, to one value without a filter, or to three values (see `Mosaic.form`). Not supported,
    and said so: layered sensors, four-colour filters. `info`: what was read of the file before, so that its tags need
    not be read again.
    """
    path = Path(path)
    with _start_raw(path) as handle:
        _unpacked(handle, path)
        mosaic, own = _laid_out(handle, path)
        levels = handle.black_level_per_channel
        black = np.array([float(levels[i]) for i in own])
        white = np.full(4, float(handle.white_level))
        balance = _usable_balance([float(v) for v in handle.camera_whitebalance])
        matrix = np.array(handle.rgb_xyz_matrix, float)[:3]
        aspect = float(handle.sizes.pixel_aspect) or 1.0
        margins = int(handle.sizes.top_margin), int(handle.sizes.left_margin)
    recorded = mosaic.raw if mosaic.whole is None else mosaic.whole
    if _cut_short(recorded, float(white[0])):
        raise UserError(
            f"{path}: the picture stops before its last rows; the file is cut short: copy it again from the card."
        )
    if not (white < 2**17).all():  # values have 16 bits; a level a little above all of them may be meant
        raise UserError(
            f"{path}: its white level {white[0]:.0f} is beyond what its values can reach; the file is damaged: copy "
            "it again from the card."
        )
    if (white <= black).any():
        raise UserError(
            f"{path}: its white level {white[0]:.0f} is not above its black level {black[0]:.0f}; the "
            "file is damaged: copy it again from the card."
        )
    mosaic = replace(mosaic, black=black, white=white, pixel_aspect=aspect, remarks=facts.said_of(mosaic.form))
    if info is None or info.asks:
        mosaic = _as_asked(mosaic, path, margins)
    if mosaic.form == "mono":
        return replace(mosaic, as_shot=(1.0, 1.0, 1.0))
    own_matrix = _own_matrix(path, info)
    known = matrix if np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 1e-6 else None
    best = own_matrix if own_matrix is not None else known
    day = daylight_of(best) if best is not None else None
    profile = None
    if (info is None or info.calibrated) and (tags := _tags(path)) is not None:
        profile = profile_of(tags)
    return replace(mosaic, as_shot=balance, daylight=day, xyz_to_camera=best, profile=profile)


def _as_asked(mosaic: Mosaic, path: Path, margins: tuple[int, int]) -> Mosaic:
    """What a DNG asks of its reader, done or kept with the mosaic, or said."""
    said, tags = mosaic.remarks, _tags(path)
    if tags is None:
        return mosaic
    one_value = mosaic.form in ("bayer", "mono")
    values = mosaic.raw if mosaic.whole is None else mosaic.whole
    cfa = mosaic.cfa if mosaic.form == "bayer" else None
    found = facts.facts_of(tags, values.shape[:2], margins, cfa, mosaic.form == "linear")
    bad = found.bad if found.bad is not None else np.zeros((0, 2), np.int32)
    if one_value and found.constant is not None:
        marked = np.argwhere(values == found.constant).astype(np.int32)
        bad = np.concatenate([bad, marked]) if len(marked) <= facts.MOST_BAD * values.size else bad
    if one_value and (found.rows is not None or found.columns is not None):
        rows = 0.0 if found.rows is None else found.rows[:, None]
        columns = 0.0 if found.columns is None else found.columns[None]
        mosaic = replace(mosaic, raw=np.clip(np.rint(values - rows - columns), 0, 65535).astype(np.uint16))
    elif found.rows is not None or found.columns is not None:
        said = (*said, "the file gives black levels by row or column, of which only the mean is taken")
    return replace(
        mosaic, bad=bad if len(bad) and one_value else None, shading=found.shading, remarks=(*said, *found.undone)
    )


def has_shading(path: Path) -> bool:
    """Whether a file asks for its light to be evened out by a map."""
    tags = _tags(path)
    lists = [] if tags is None else [tag.opcodes(tags.data(f"OpcodeList{n}")) for n in (2, 3)]
    return any(kind == facts.GAIN_MAP for codes in lists for kind, _ in codes)


def _own_matrix(path: Path, info: FrameInfo | None) -> NDArray[np.float64] | None:
    """XYZ to camera, 3 x 3, as the file's own tags have it."""
    if info is not None:
        return None if info.colour_matrix is None else np.array(info.colour_matrix).reshape(3, 3)
    tags = _tags(path)
    return tag.colour_matrix_of(tags) if tags else None


def _coded(path: Path, kind: str) -> tuple[NDArray[Any] | None, bytes | None]:
    """The values of a picture file as they are coded, and the ICC profile that says what colours they are."""
    if kind == "heic":
        handle = rendered.open_heif(path)
        return rendered.read_heif(path, handle), coded.profile_in(path, kind, handle.info)
    if not kind:
        return tifffile.imread(path), coded.profile_in(path, kind)
    data: NDArray[Any] | None = cv2.imread(str(path), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    return data[..., 2::-1] if data is not None and data.ndim == 3 else data, coded.profile_in(path, kind)


def read_rendered(path: Path) -> tuple[NDArray[np.float32], tuple[str, ...]]:
    """A JPEG, PNG or TIFF as float32 linear RGB, H x W x 3, sRGB primaries, and what is lost beside a raw frame.

    Its colours are those of the profile that the file names, else sRGB's (IEC 61966-2-1); what lies outside of sRGB
    is below 0 or above 1. Floating-point TIFFs are taken as linear. Not rotated. 16-bit TIFF keeps its 16 bits. Where
    a JPEG or HEIC has a gain map (ISO 21496-1), its light goes above 1.
    """
    path = Path(path)
    info = _rendered_info(path)
    try:
        kind = _sniff(path)
        data, profile = _coded(path, kind)
    except UserError:
        raise
    except Exception as problem:  # of a damaged file, the libraries raise nearly everything there is
        raise UserError(f"{path}: cannot be read as a picture ({_reason(problem)}); copy it again.") from problem
    if data is None or data.ndim not in (2, 3):
        raise UserError(f"{path}: cannot be read as a picture; the file is damaged: copy it again.")
    rgb = np.repeat(data[..., None], 3, axis=2) if data.ndim == 2 else data[..., :3]
    if rgb.shape[2] != 3:
        raise UserError(f"{path}: has {data.shape[2]} channels; grey or RGB is needed: save it again as RGB.")
    if np.issubdtype(rgb.dtype, np.floating):
        return np.ascontiguousarray(rgb, dtype=np.float32), info.remarks
    if rgb.dtype not in (np.uint8, np.uint16):
        raise UserError(f"{path}: has values of type {rgb.dtype}; 8 or 16 bits are needed: save it again.")
    linear, said = coded.linear_light(rgb, profile if data.ndim == 3 else None)
    remarks = (*info.remarks, said) if said else info.remarks
    above = rendered.gain_map_in(path.read_bytes()) if kind in ("jpeg", "heic") else None
    if above is None:
        return linear, remarks
    told = "light above its white is known from the file's gain map, as far as the phone kept it"
    kept = tuple(told if remark == WHITE_GONE else remark for remark in remarks)
    return above.brightened(linear), kept
