"""HEIC files with a gain map (ISO/IEC 23008-12, amendment 1): pictures by libheif, the derived item put in here."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from clerestory.raw.heif_boxes import tone_map_of
from clerestory.raw.read import read_rendered

heif = pytest.importorskip("pillow_heif", reason="pillow-heif is not installed")
STOPS = 3.0


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at < len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        yield kind, data[at + 8 : at + size]
        at += size


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _numbers(least: float, most: float) -> bytes:
    """ISO 21496-1: one set of numbers, for a screen with room for STOPS over white."""
    pairs = [
        (0, 1),
        (round(STOPS * 100), 100),
        (round(least * 100), 100),
        (round(most * 100), 100),
        (1, 1),
        (0, 1),
        (0, 1),
    ]
    return struct.pack(">HHB", 0, 0, 0x40) + b"".join(struct.pack(">iI", n, d) for n, d in pairs)


def _later(iloc: bytes, by: int) -> bytes:
    """A box `iloc` as libheif writes it (version 0 or 1, four bytes each), each place `by` bytes later."""
    out, version = bytearray(iloc), iloc[0]
    assert iloc[4] == 0x44 and iloc[5] >> 4 in (0, 4)
    base, at = iloc[5] >> 4, 8
    for _ in range(struct.unpack_from(">H", iloc, 6)[0]):
        in_file = version == 0 or struct.unpack_from(">H", iloc, at + 2)[0] & 15 == 0
        at += (4 if version == 0 else 6) + base
        (extents,) = struct.unpack_from(">H", iloc, at)
        at += 2
        for _ in range(extents):
            (place,) = struct.unpack_from(">I", out, at)
            struct.pack_into(">I", out, at, place + (by if in_file else 0))
            at += 8
    return bytes(out)


def with_tone_map(data: bytes, numbers: bytes) -> bytes:
    """A HEIC of two pictures, the second made the first's gain map by an item of type `tmap`."""
    parts = dict(_boxes(data))
    meta = dict(_boxes(parts[b"meta"][4:]))
    primary = struct.unpack_from(">H", meta[b"pitm"], 4)[0]
    infos = [body for kind, body in _boxes(meta[b"iinf"][6:]) if kind == b"infe"]
    found = [struct.unpack_from(">H", body, 4)[0] for body in infos if body[8:12] == b"hvc1"]
    (other,) = (n for n in found if n != primary)
    item = 77
    meta[b"iinf"] = (
        meta[b"iinf"][:4]
        + struct.pack(">H", len(infos) + 1)
        + meta[b"iinf"][6:]
        + _box(b"infe", b"\2\0\0\0" + struct.pack(">HH4sx", item, 0, b"tmap"))
    )
    derived = _box(b"dimg", struct.pack(">HHHH", item, 2, primary, other))
    meta[b"iref"] = meta.get(b"iref", b"\0\0\0\0") + derived
    entry = struct.pack(">HH", item, 0) if meta[b"iloc"][0] == 0 else struct.pack(">HHH", item, 0, 0)
    entry += b"\0" * (meta[b"iloc"][5] >> 4) + struct.pack(">HII", 1, 0, 1 + len(numbers))
    grown = bytearray(meta[b"iloc"] + entry)
    (count,) = struct.unpack_from(">H", grown, 6)
    struct.pack_into(">H", grown, 6, count + 1)
    meta[b"iloc"] = bytes(grown)
    parts[b"ftyp"] += b"tmap"

    def written() -> bytes:
        inner = parts[b"meta"][:4] + b"".join(_box(kind, body) for kind, body in meta.items())
        return b"".join(_box(kind, inner if kind == b"meta" else body) for kind, body in parts.items())

    length = len(written())
    meta[b"iloc"] = _later(meta[b"iloc"], length - len(data))
    at = len(meta[b"iloc"]) - 8
    meta[b"iloc"] = meta[b"iloc"][:at] + struct.pack(">I", length) + meta[b"iloc"][at + 4 :]
    return written() + b"\0" + numbers


@pytest.fixture(scope="module")
def pair() -> tuple[np.ndarray, np.ndarray, bytes]:
    """A grey picture, a map whose right half is at its most, and the HEIC of both."""
    light = np.full((128, 192, 3), 180, np.uint8)
    gains = np.zeros((64, 96, 3), np.uint8)
    gains[:, 48:] = 255
    file = heif.from_pillow(Image.fromarray(light))
    file.add_from_pillow(Image.fromarray(gains))
    out = io.BytesIO()
    file.save(out, quality=100, chroma=444)
    return light, gains, out.getvalue()


def _read(path: Path, data: bytes) -> tuple[np.ndarray, tuple[str, ...]]:
    path.write_bytes(data)
    return read_rendered(path)


def test_a_heics_gain_map_gives_back_the_light_above_white(pair: tuple, tmp_path: Path) -> None:
    _, _, plain = pair
    path = tmp_path / "IMG_2.HEIC"
    base, remarks = _read(path, plain)
    assert any("above its white are gone" in remark for remark in remarks)
    bright, remarks = _read(path, with_tone_map(plain, _numbers(0.0, STOPS)))
    assert any("light above its white is known" in remark for remark in remarks)
    ratio = (bright / base).mean(axis=(0, 2))
    np.testing.assert_allclose(np.log2(ratio[:80]), 0, atol=0.05)
    np.testing.assert_allclose(np.log2(ratio[-80:]), STOPS, atol=0.05)


def test_a_gain_map_that_cannot_be_meant_is_left_alone(pair: tuple, tmp_path: Path) -> None:
    """Damage in its numbers, numbers cut off, and a picture that is the brighter of the two."""
    _, _, plain = pair
    path = tmp_path / "IMG_3.HEIC"
    base, _ = _read(path, plain)
    right = _numbers(0.0, STOPS)
    backwards = right[:5] + right[13:21] + right[5:13] + right[21:]
    for numbers in (_numbers(0.0, 90.0), right[:20], backwards):
        found, remarks = _read(path, with_tone_map(plain, numbers))
        np.testing.assert_array_equal(found, base)
        assert any("above its white are gone" in remark for remark in remarks)


def test_boxes_of_any_damage_are_read_without_a_fault(pair: tuple) -> None:
    data = with_tone_map(pair[2], _numbers(0.0, STOPS))
    assert tone_map_of(data) is not None
    rng = np.random.default_rng(8)
    for _ in range(2000):
        hurt = bytearray(data[: len(data) if rng.random() < 0.5 else rng.integers(1, len(data))])
        for at in rng.integers(0, min(len(hurt), 900), rng.integers(1, 6)):
            hurt[at] = rng.integers(256)
        found = tone_map_of(bytes(hurt))
        assert found is None or isinstance(found.item, int)
