"""Finished pictures as the film sees them: what they say of themselves, and their light."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import cv2
import exiv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from clerestory.develop.colour import to_space, xyz_from_rgb
from clerestory.errors import UserError
from clerestory.finish.icc import NAMES
from clerestory.raw import srgb

ENDINGS = (".tif", ".tiff", ".jpg", ".jpeg")
Image.MAX_IMAGE_PIXELS = None  # joined wide views are large, and they are the user's own


@dataclass(frozen=True)
class Picture:
    """A finished picture: its file and what the film needs of its metadata."""

    path: Path
    width: int
    height: int
    view: str = ""
    title: str = ""
    description: str = ""
    place: str = ""
    creator: str = ""
    rights: str = ""
    taken: str = ""
    """EXIF DateTimeOriginal, as written."""
    settings: str = ""
    """Focal length, aperture, time, ISO, and how many frames it was merged from, as one line."""
    kit: str = ""
    """Camera and lens, as the picture names them."""
    focal: float = 0.0
    """Focal length, mm; 0 where the picture does not say."""
    f_number: float = 0.0
    aspect: str = ""
    """The aspect it was cropped to, as the recipe names it."""

    @property
    def name(self) -> str:
        return self.path.stem


def _number(value: Fraction, digits: int = 1) -> str:
    return f"{float(value):.{digits}f}".rstrip("0").rstrip(".")


def _time_text(seconds: Fraction) -> str:
    if seconds >= Fraction(3, 10):
        return f"{_number(seconds)} s"
    return f"1/{round(1 / seconds)} s"


def _fraction(text: str) -> Fraction | None:
    try:
        value = Fraction(text.split()[0])
    except (ValueError, ZeroDivisionError, IndexError):
        return None
    return value if value > 0 else None


def settings_line(exif: dict[str, str]) -> str:
    """'12 mm · f/4 · 1/15 s · ISO 800' of EXIF fields (names and rationals as EXIF 2.32 has them)."""
    focal = _fraction(exif.get("Exif.Photo.FocalLength", ""))
    aperture = _fraction(exif.get("Exif.Photo.FNumber", ""))
    time = _fraction(exif.get("Exif.Photo.ExposureTime", ""))
    iso = exif.get("Exif.Photo.ISOSpeedRatings", "").split()
    parts = [
        f"{_number(focal)} mm" if focal else "",
        f"f/{_number(aperture)}" if aperture else "",
        _time_text(time) if time else "",
        f"ISO {iso[0]}" if iso and iso[0] not in ("0", "65535") else "",
    ]
    return " · ".join(part for part in parts if part)


def _kit(exif: dict[str, str]) -> list[str]:
    """Camera and lens, each once, as the EXIF fields have them."""
    names = (exif.get(key, "").strip() for key in ("Exif.Image.Model", "Exif.Photo.LensModel"))
    return list(dict.fromkeys(name for name in names if name))


def _metadata(path: Path) -> tuple[dict[str, str], dict[str, str]]:
    try:
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
    except exiv2.Exiv2Error:
        return {}, {}
    exif = {datum.key(): datum.toString() for datum in image.exifData()}
    return exif, {datum.key(): datum.toString() for datum in image.xmpData()}


def _plain(text: str) -> str:
    """An XMP language alternative without its language mark."""
    return text.split('" ', 1)[1] if text.startswith('lang="') and '" ' in text else text


def size_of(path: Path) -> tuple[int, int]:
    """Width and height in pixels as shown, without reading the picture."""
    try:
        with Image.open(path) as image:
            turned = image.getexif().get(0x0112, 1) in (5, 6, 7, 8)
            return (image.height, image.width) if turned else image.size
    except (UnidentifiedImageError, OSError):
        pass
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            return page.imagewidth, page.imagelength
    except (tifffile.TiffFileError, OSError, ValueError):
        raise UserError(f"{path}: cannot be read as a JPEG or TIFF picture; export it again.") from None


def _cut_short(path: Path) -> bool:
    """True when a picture file ends before its pixels do: a copy that was broken off."""
    size = path.stat().st_size
    if path.suffix.lower().startswith(".tif"):
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            return any(a + n > size for a, n in zip(page.dataoffsets, page.databytecounts, strict=True))
    with path.open("rb") as file:
        file.seek(max(0, size - 65536))
        return b"\xff\xd9" not in file.read()  # JPEG's end of image (ITU-T T.81)


def read_picture(path: Path) -> Picture:
    """What a picture says of itself; an unreadable or broken-off file is a UserError."""
    width, height = size_of(path)
    if _cut_short(path):
        raise UserError(f"{path}: the file is cut short; copy or export it again.")
    exif, xmp = _metadata(path)

    def message(key: str) -> str:
        return _plain(xmp.get(key, "")).strip()

    frames = len(message("Xmp.clerestory.Frames").split())
    settings = settings_line(exif)

    return Picture(
        path=path,
        width=width,
        height=height,
        view=message("Xmp.clerestory.View") or message("Xmp.clerestory.view"),
        title=message("Xmp.dc.title"),
        description=message("Xmp.dc.description"),
        place=message("Xmp.iptc.Location"),
        creator=message("Xmp.dc.creator"),
        rights=message("Xmp.dc.rights"),
        taken=exif.get("Exif.Photo.DateTimeOriginal", ""),
        settings=f"{settings} · {frames} frames" if settings and frames > 1 else settings,
        kit=", ".join(_kit(exif)),
        focal=float(_fraction(exif.get("Exif.Photo.FocalLength", "")) or 0),
        f_number=float(_fraction(exif.get("Exif.Photo.FNumber", "")) or 0),
        aspect=message("Xmp.clerestory.Aspect"),
    )


def folder_pictures(folder: Path) -> list[Path]:
    """The pictures of a folder by name; a TIFF wins over a JPEG of the same name."""
    if not folder.is_dir():
        return []
    found: dict[str, Path] = {}
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in ENDINGS and p.is_file()):
        if path.stem not in found or path.suffix.lower().startswith(".tif"):
            found[path.stem] = path
    return [found[name] for name in sorted(found)]


def named_picture(folder: Path, name: str) -> Path | None:
    """The file of a picture named with or without its ending; None when there is none."""
    path = folder / name
    if path.suffix.lower() in ENDINGS:
        return path if path.is_file() else None
    return next((p for p in folder_pictures(path.parent) if p.stem == path.name), None)


def raw_rendering(folder: Path, picture: Picture) -> Path | None:
    """The raw rendering of a picture of `folder`, by its own name or its view's; None when there is none."""
    found = named_picture(folder / "before", picture.path.stem)
    return found or (named_picture(folder / "before", picture.view) if picture.view else None)


def file_digest(path: Path) -> str:
    """BLAKE2b of a file's bytes, 32 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def taken_at(picture: Picture) -> datetime:
    """When it was taken; pictures that do not say so come last."""
    try:
        return datetime.strptime(picture.taken, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return datetime.max


_LINEAR_16 = srgb.linear(np.arange(65536) / 65535).astype(np.float32)
LINEAR_8 = _LINEAR_16[:: 65535 // 255]


def _profile_space(icc: bytes | None) -> str:
    """'srgb', 'display-p3', or 'other' from an embedded profile's own description."""
    if not icc:
        return "srgb"
    for space, text in NAMES.items():
        if text.encode("utf-16-be") in icc or text.encode("ascii") in icc:
            return space
    return "other"


def _to_srgb_primaries(linear: NDArray[np.float32], space: str) -> NDArray[np.float32]:
    if space != "display-p3":
        return linear
    matrix = to_space("srgb") @ np.linalg.inv(to_space("display-p3"))
    out: NDArray[np.float32] = np.clip(cv2.transform(linear, matrix.astype(np.float32)), 0, 1)
    return out


def _load_tiff(path: Path) -> NDArray[np.float32]:
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        data = page.asarray()
        profile = page.tags.get(34675)
        space = _profile_space(profile.value if profile else None)
    if data.ndim == 2:
        data = np.repeat(data[..., None], 3, axis=2)
    data = data[..., :3]
    if data.dtype == np.uint16:
        return _to_srgb_primaries(_LINEAR_16[data], space)
    if data.dtype == np.uint8:
        return _to_srgb_primaries(LINEAR_8[data], space)
    raise UserError(f"{path}: {data.dtype} values; the film takes TIFFs of 8 or 16 bits a channel.")


def _load_jpeg(path: Path) -> NDArray[np.float32]:
    with Image.open(path) as image:
        icc = image.info.get("icc_profile")
        space = _profile_space(icc)
        upright = ImageOps.exif_transpose(image).convert("RGB")
        if space == "other" and icc:
            import io

            upright = ImageCms.profileToProfile(upright, io.BytesIO(icc), ImageCms.createProfile("sRGB")) or upright
        return _to_srgb_primaries(LINEAR_8[np.asarray(upright)], space)


def load_linear(path: Path) -> NDArray[np.float32]:
    """A picture's light: linear RGB of BT.709 primaries (sRGB's own), 0 to 1, float32 H x W x 3."""
    try:
        linear = _load_tiff(path) if path.suffix.lower().startswith(".tif") else _load_jpeg(path)
    except (UnidentifiedImageError, OSError, tifffile.TiffFileError, ValueError) as error:
        raise UserError(f"{path}: cannot be read as a picture: {error}.") from None
    return np.ascontiguousarray(linear, np.float32)


def luminance(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Luminance of BT.709 primaries, float32 H x W."""
    out: NDArray[np.float32] = cv2.transform(linear, xyz_from_rgb("srgb")[1:2].astype(np.float32))
    return out
