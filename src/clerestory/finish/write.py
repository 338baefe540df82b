"""Pictures to bytes: JPEG, 16-bit TIFF, AVIF and JPEG XL with their colour told, and EXIF, IPTC and XMP fields."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import exiv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from clerestory import __version__
from clerestory.develop.colour import encode
from clerestory.errors import UserError
from clerestory.finish.icc import profile
from clerestory.finish.jpeg import jpeg
from clerestory.finish.ten_bit import avif, jxl, with_words
from clerestory.visit.about import About

NAMESPACE = "https://clerestory.invalid/ns/1.0/"
exiv2.XmpParser.initialize()
exiv2.XmpProperties.registerNs(NAMESPACE, "clerestory")

# What is carried over from the frame: how, when and with what it was taken (EXIF 2.32 names).
CARRIED = (
    "Exif.Image.Make", "Exif.Image.Model", "Exif.Image.Artist", "Exif.Image.Copyright",
    "Exif.Photo.ExposureTime", "Exif.Photo.FNumber", "Exif.Photo.ExposureProgram", "Exif.Photo.ISOSpeedRatings",
    "Exif.Photo.DateTimeOriginal", "Exif.Photo.SubSecTimeOriginal", "Exif.Photo.OffsetTimeOriginal",
    "Exif.Photo.ExposureBiasValue", "Exif.Photo.MeteringMode", "Exif.Photo.Flash", "Exif.Photo.FocalLength",
    "Exif.Photo.FocalLengthIn35mmFilm", "Exif.Photo.LensMake", "Exif.Photo.LensModel",
    "Exif.Photo.LensSpecification", "Exif.Photo.BodySerialNumber", "Exif.Photo.LensSerialNumber",
    "Exif.GPSInfo.GPSLatitude", "Exif.GPSInfo.GPSLatitudeRef", "Exif.GPSInfo.GPSLongitude",
    "Exif.GPSInfo.GPSLongitudeRef", "Exif.GPSInfo.GPSAltitude", "Exif.GPSInfo.GPSAltitudeRef",
)  # fmt: skip


TEN_BIT = {"avif": avif, "jxl": jxl}


@dataclass(frozen=True)
class Record:
    """What the tool says of a picture: XMP fields in its own namespace, all text."""

    fields: dict[str, str] = field(default_factory=dict)


def encoded(
    rgb: NDArray[np.float32], kind: str, space: str = "srgb", quality: int = 93, per_inch: float | None = None
) -> bytes:
    """Display-linear working RGB, H x W x 3, 0 to 1, as the bytes of a picture file with its colour profile.

    `kind`: 'jpeg' (8 bits), 'tiff' (16 bits a channel), 'avif' or 'jxl' (10 bits); `quality`: of all but the TIFF,
    1 to 95; `per_inch`: resolution as written into a JPEG or TIFF, pixels to an inch of paper; None says nothing of
    it. UserError for another kind, and for JPEG XL in another space than sRGB.
    """
    out = io.BytesIO()
    if kind == "jpeg":
        return jpeg(encode(rgb, space, 8).astype(np.uint8, copy=False), quality, profile(space), per_inch)
    if kind == "tiff":
        tifffile.imwrite(
            out,
            encode(rgb, space, 16),
            photometric="rgb",
            iccprofile=profile(space),
            metadata=None,
            software=f"Clerestory {__version__}",
            datetime=None,
            **({} if per_inch is None else {"resolution": (per_inch,) * 2, "resolutionunit": "INCH"}),
        )
    elif kind in TEN_BIT:
        return TEN_BIT[kind](rgb, space, quality)
    else:
        raise UserError(f"'{kind}' is not a kind of picture this writes; ask for jpeg, tiff, avif or jxl.")
    return out.getvalue()


def _exif_of(source: Path) -> dict[str, str]:
    """The carried EXIF fields of a frame, as text; empty when exiv2 cannot read it."""
    try:
        image = exiv2.ImageFactory.open(str(source))
        image.readMetadata()
    except exiv2.Exiv2Error:
        return {}
    return {datum.key(): datum.toString() for datum in image.exifData() if datum.key() in CARRIED}


def with_metadata(
    data: bytes,
    source: Path | None,
    about: About,
    record: Record,
    size: tuple[int, int],
    per_inch: float | None = None,
) -> bytes:
    """A picture file's bytes with its metadata put in: EXIF carried over, IPTC and XMP written (AVIF and JPEG XL have
    no place for IPTC's older form). `size`: width and height in pixels; `per_inch`: resolution, as in `encoded`."""
    if data[4:8] in (b"ftyp", b"JXL "):
        carrier = io.BytesIO()
        Image.new("RGB", (1, 1)).save(carrier, "JPEG")
        told = with_metadata(carrier.getvalue(), source, about, record, size, per_inch)
        exif = Image.open(io.BytesIO(told)).info["exif"].removeprefix(b"Exif\0\0")
        return with_words(data, exif, xmp_packet(about, record))
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    exif = image.exifData()
    for key, value in (_exif_of(source) if source else {}).items():
        exif[key] = value
    exif["Exif.Image.Software"] = f"Clerestory {__version__}"
    exif["Exif.Image.Orientation"] = 1
    exif["Exif.Photo.PixelXDimension"] = size[0]
    exif["Exif.Photo.PixelYDimension"] = size[1]
    if per_inch is not None:
        for name in ("X", "Y"):
            exif[f"Exif.Image.{name}Resolution"] = f"{round(100 * per_inch)}/100"
        exif["Exif.Image.ResolutionUnit"] = 2  # inch (EXIF 2.32)
    if about.creator:
        exif["Exif.Image.Artist"] = about.creator
    if about.rights:
        exif["Exif.Image.Copyright"] = about.rights
    image.setExifData(exif)
    image.setIptcData(_iptc(about))
    image.setXmpData(_xmp(about, record))
    image.writeMetadata()
    channel = image.io()
    channel.open()
    try:
        return bytes(channel.mmap())
    finally:
        channel.munmap()
        channel.close()


def _iptc(about: About) -> Any:
    """IPTC-IIM fields (IIM 4.2, record 2), UTF-8 declared."""
    data = exiv2.IptcData()
    data["Iptc.Envelope.CharacterSet"] = "\x1b%G"
    pairs = {
        "Iptc.Application2.ObjectName": about.title[:64],
        "Iptc.Application2.Caption": about.caption[:2000],
        "Iptc.Application2.SubLocation": about.place[:32],
        "Iptc.Application2.Byline": about.creator[:32],
        "Iptc.Application2.Copyright": about.rights[:128],
        "Iptc.Application2.SpecialInstructions": about.permit[:256],
    }
    for key, value in pairs.items():
        if value:
            data[key] = value
    for word in about.keywords:
        datum = exiv2.Iptcdatum(exiv2.IptcKey("Iptc.Application2.Keywords"))
        datum.setValue(word[:64])
        data.add(datum)
    return data


def xmp_packet(about: About, record: Record) -> bytes:
    """What is said of a picture as an XMP packet, for files that this program lays out itself."""
    _, text = exiv2.XmpParser.encode(_xmp(about, record))
    return str(text).encode()


def _xmp(about: About, record: Record) -> Any:
    """XMP: Dublin Core, IPTC Core 1.1, and the tool's own namespace."""
    data = exiv2.XmpData()
    pairs = {
        "Xmp.dc.title": about.title,
        "Xmp.dc.description": about.caption,
        "Xmp.dc.creator": about.creator,
        "Xmp.dc.rights": about.rights,
        "Xmp.iptc.Location": about.place,
        "Xmp.xmpRights.UsageTerms": about.permit,
    }
    for key, value in pairs.items():
        if value:
            data[key] = value
    if about.keywords:
        value = exiv2.XmpArrayValue(exiv2.TypeId.xmpBag)
        for word in about.keywords:
            value.read(word)
        data["Xmp.dc.subject"] = value
    data["Xmp.xmp.CreatorTool"] = f"Clerestory {__version__}"
    for name, text in sorted(record.fields.items()):
        data[f"Xmp.clerestory.{name}"] = text
    return data
