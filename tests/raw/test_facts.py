"""What a DNG asks of its reader (DNG specification 1.4, chapters 4 and 7): obeyed, or said."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.raw.conftest import make_photograph, opcode_list

import clerestory as cl
from clerestory.develop.defects import open_corrected
from clerestory.raw.read import read_mosaic

Write = Callable[..., Path]
BYTES, SHORTS, SIGNED = 7, 3, 10  # TIFF types


def flat(level: int, rows: int = 96, columns: int = 144) -> np.ndarray:
    rng = np.random.default_rng(3)
    return np.clip(np.rint(rng.normal(level, 12, (rows, columns))), 0, 4095).astype(np.uint16)


def test_the_table_of_linearisation_is_applied(write_dng: Write) -> None:
    table = (np.arange(256) ** 2 // 16).tolist()
    coded = np.random.default_rng(1).integers(20, 250, (64, 96)).astype(np.uint16)
    mosaic = read_mosaic(write_dng("t.dng", coded, extra=[(50712, SHORTS, table)]))
    np.testing.assert_array_equal(mosaic.raw, np.array(table)[coded])


def test_black_by_row_and_column_is_taken_off(write_dng: Write) -> None:
    rows, columns = 8.0 * (np.arange(96) % 4), 5.0 * (np.arange(144) % 3)
    raw = flat(900) + (rows[:, None] + columns).astype(np.uint16)
    extra = [(50715, SIGNED, columns.tolist()), (50716, SIGNED, rows.tolist())]
    mosaic = read_mosaic(write_dng("d.dng", raw, extra=extra))
    light = mosaic.raw - mosaic.black[1]  # LibRaw takes the mean of the deltas into the level
    assert np.ptp(light.mean(axis=1)) < 8 and np.ptp(light.mean(axis=0)) < 8
    assert abs(light.mean() - (900 - 64)) < 2


def test_bad_pixels_that_the_file_lists_are_mended(write_dng: Write) -> None:
    raw = flat(900, 256, 384)
    dim = [(40, 60), (41, 61), (100, 200)]  # by too little to be found out
    for y, x in dim:
        raw[y, x] = 870
    raw[150:152, 90:92] = 4000
    raw[77, 33] = 0
    points = struct.pack(">3I", 1, len(dim), 1) + b"".join(struct.pack(">2I", *p) for p in dim)
    listed = opcode_list((5, points + struct.pack(">4I", 150, 90, 152, 92)), (4, struct.pack(">2I", 0, 1)))
    path = write_dng("b.dng", raw, extra=[(51008, BYTES, listed)])
    found = read_mosaic(path).bad
    assert found is not None
    assert {(int(y), int(x)) for y, x in found} == {*dim, (150, 90), (150, 91), (151, 90), (151, 91), (77, 33)}
    mended = open_corrected(path).mosaic.raw
    np.testing.assert_allclose(mended[150:152, 90:92], 900, atol=60)
    assert mended[77, 33] > 800
    assert all(mended[p] != 870 for p in dim)


def test_bad_pixels_count_from_the_whole_sensor(write_dng: Write) -> None:
    listed = opcode_list((5, struct.pack(">3I2I", 1, 1, 0, 30, 40)))
    path = write_dng("a.dng", flat(900), active=[4, 6, 96, 144], extra=[(51008, BYTES, listed)])
    found = read_mosaic(path).bad
    assert found is not None and found.tolist() == [[26, 34]]


def gain_map(top: int, left: int, gains: np.ndarray) -> bytes:
    rows, columns = gains.shape
    area = struct.pack(">10I", top, left, 96, 144, 0, 1, 2, 2, rows, columns)
    grid = struct.pack(">4dI", 1 / (rows - 1), 1 / (columns - 1), 0.0, 0.0, 1)
    return area + grid + gains.astype(">f4").tobytes()


def test_a_phones_shading_map_is_kept_by_colour(write_dng: Write) -> None:
    y, x = np.mgrid[-1:1:9j, -1:1:13j]
    fall = y**2 + x**2
    maps = {(0, 0): 1 + 0.9 * fall, (0, 1): 1 + 0.5 * fall, (1, 0): 1 + 0.7 * fall, (1, 1): 1 + 0.3 * fall}
    listed = opcode_list(*((9, gain_map(*place, gains)) for place, gains in maps.items()))
    shading = read_mosaic(write_dng("g.dng", flat(900), extra=[(51009, BYTES, listed)])).shading
    assert shading is not None
    rows, columns = shading.shape[:2]
    v, h = (2 * (np.arange(n) + 0.5) / n - 1 for n in (rows, columns))
    true = v[:, None] ** 2 + h[None] ** 2
    for channel, strength in enumerate((0.9, 0.6, 0.3)):  # green: the mean of its two maps
        np.testing.assert_allclose(shading[..., channel], 1 + strength * true, atol=0.02)


def test_a_card_under_a_phones_lens_comes_out_even(write_dng: Write) -> None:
    y, x = np.mgrid[-1:1:192j, -1:1:288j]
    gain = 1 + 0.6 * (x**2 + y**2)
    rows, columns = np.mgrid[-1:1:17j, -1:1:25j]
    body = gain_map(0, 0, 1 + 0.6 * (rows**2 + columns**2))
    body = body[:24] + struct.pack(">2I", 1, 1) + body[32:]  # every pixel, whatever its filter
    neutral = np.tile([[0.5, 1.0], [1.0, 0.625]], (96, 144))
    raw = make_photograph(0.5 * neutral / gain, seed=2)
    path = write_dng("c.dng", raw, extra=[(51009, BYTES, opcode_list((9, body)))])
    rgb = cl.linear_rgb(path)
    blocks = rgb[16:176, 16:272].reshape(10, 16, 16, 16, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(blocks / blocks.mean(axis=(0, 1)), 1, atol=0.03)


def test_what_is_not_done_is_said(write_dng: Write) -> None:
    listed = opcode_list((8, struct.pack(">8I", *[0] * 8)), (10, struct.pack(">8I", *[0] * 8)))
    remarks = read_mosaic(write_dng("n.dng", flat(900), extra=[(51009, BYTES, listed)])).remarks
    assert len(remarks) == 2
    assert "curve of values" in remarks[0] and "offsets by row" in remarks[1]
    torn = opcode_list((9, b"\0" * 40))
    mosaic = read_mosaic(write_dng("m.dng", flat(900), extra=[(51009, BYTES, torn)]))
    assert mosaic.shading is None and "shading" in mosaic.remarks[0]
