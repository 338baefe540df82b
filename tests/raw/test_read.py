"""What files say of themselves, checked against the real raws and DNGs written from the specification."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from clerestory.errors import UserError
from clerestory.finish.icc import profile
from clerestory.raw import dng
from clerestory.raw.dng import DngMeta
from clerestory.raw.read import daylight_of, read_info, read_mosaic, read_rendered
from clerestory.raw.tags import lens_from_opcodes, opcodes
from clerestory.simulate.camera import SimulatedCamera

RAWS = Path(__file__).parents[3] / "shared" / "data" / "raws"
real = pytest.mark.skipif(not RAWS.is_dir(), reason=f"open data is absent: {RAWS}")
Write = Callable[..., Path]


@real
def test_a_real_raw_with_white_balance() -> None:
    info = read_info(RAWS / "CRW_0304.CRW")
    assert (info.width, info.height, info.is_raw) == (2312, 1720, True)
    assert info.time == datetime(2022, 1, 20, 8, 13, 24)
    # The camera's lens is 7 to 21 mm, 34 to 102 mm on 36 x 24 (maker's data, from memory).
    assert info.focal_mm == pytest.approx(7.0)
    assert info.equivalent_mm == pytest.approx(34, rel=0.03)
    mosaic = read_mosaic(RAWS / "CRW_0304.CRW")
    assert mosaic.raw.shape == (1720, 2312)
    assert mosaic.cfa.tolist() == [[0, 1], [3, 2]]
    assert mosaic.black.tolist() == [32] * 4 and mosaic.white.tolist() == [1023] * 4
    assert mosaic.as_shot == pytest.approx((1687 / 1036, 1.0, 1655 / 1036))
    # LibRaw's own daylight multipliers for this camera, as the reference.
    assert mosaic.daylight == pytest.approx((2.083963 / 0.925946, 1.0, 1.093004 / 0.925946), rel=1e-3)


@real
def test_a_real_raw_without_white_balance_or_matrix() -> None:
    mosaic = read_mosaic(RAWS / "P003908.KDC")
    assert mosaic.as_shot is None and mosaic.daylight is None and mosaic.xyz_to_camera is None
    assert mosaic.cfa.tolist() == [[1, 0], [2, 3]]
    info = read_info(RAWS / "P003908.KDC")
    assert info.square_size[0] / info.square_size[1] == pytest.approx(4 / 3, rel=0.01)
    assert any("not square" in r for r in info.remarks)


def test_a_dng_of_known_tags(write_dng: Write) -> None:
    raw = np.arange(200 * 300, dtype=np.uint16).reshape(200, 300) % 4000 + 64
    path = write_dng("a.dng", raw, seconds=1 / 30, iso=1600, focal=14.0, black=[60.0, 62.0, 64.0, 66.0])
    info, mosaic = read_info(path), read_mosaic(path)
    assert (info.seconds, info.iso, info.focal_mm) == (pytest.approx(1 / 30, rel=1e-4), 1600, 14.0)
    assert info.sensor_mm == pytest.approx((17.3, 17.3 * 200 / 300), rel=1e-4)
    assert info.intrinsics is not None and info.intrinsics.focal == pytest.approx(14 / 17.3 * 300, rel=1e-4)
    np.testing.assert_array_equal(mosaic.raw, raw)
    assert mosaic.as_shot == pytest.approx((2.0, 1.0, 1.6))
    assert [mosaic.black[c] for c in mosaic.cfa.ravel()] == [60, 62, 64, 66]
    matrix = np.array([[0.8, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]])
    np.testing.assert_allclose(mosaic.xyz_to_camera, matrix, atol=1e-4)
    # A surface that D65 lights must come out grey.
    assert mosaic.daylight is not None
    neutral = matrix @ [0.95047, 1.0, 1.08883] * mosaic.daylight
    np.testing.assert_allclose(neutral, neutral[1], rtol=1e-3)


@pytest.mark.parametrize("pattern", [[0, 1, 1, 2], [1, 0, 2, 1], [1, 2, 0, 1], [2, 1, 1, 0]])
@pytest.mark.parametrize("top,left", [(0, 0), (1, 0), (0, 1), (3, 5)])
def test_every_bayer_order_and_margin(write_dng: Write, pattern: list[int], top: int, left: int) -> None:
    tile = np.array([100, 1000, 2000])[np.array(pattern).reshape(2, 2)]  # red, green, blue of DNG's CFAPattern
    raw = (np.tile(tile, (40, 50)) + np.arange(80)[:, None]).astype(np.uint16)
    # CFAPattern counts from the active area's corner (DNG 1.4, ActiveArea).
    shown = np.roll(raw, (top, left), (0, 1))
    mosaic = read_mosaic(write_dng("p.dng", shown, pattern=pattern, active=[top, left, 80, 100]))
    # LibRaw takes an odd margin up to the next even one.
    assert mosaic.raw.shape == (80 - top - top % 2, 100 - left - left % 2)
    for row in range(2):
        for column in range(2):
            level = np.median(mosaic.plane(row, column)) // 100
            assert {0: 1, 1: 10, 2: 20, 3: 10}[int(mosaic.cfa[row, column])] == level
    red_row = int(np.argwhere(mosaic.cfa == 0)[0][0])
    assert 1 in mosaic.cfa[red_row], "channel 1 is the green beside red"


def test_opcodes_are_read_as_the_specification_lays_them_out(write_dng: Write) -> None:
    warp = struct.pack(">I8d", 1, 1.02, -0.05, 0.01, -0.002, 1e-4, -2e-4, 0.51, 0.49)
    shade = struct.pack(">7d", -0.3, 0.1, 0.02, 0.0, 0.0, 0.5, 0.5)
    listed = struct.pack(">I", 2) + b"".join(
        struct.pack(">IIII", kind, 0x01030000, 1, len(body)) + body for kind, body in ((1, warp), (3, shade))
    )
    info = read_info(write_dng("o.dng", np.full((64, 96), 500, np.uint16), opcodes=listed))
    assert info.distortion is not None
    assert info.distortion.radial == (1.02, -0.05, 0.01, -0.002)
    assert info.distortion.tangential == (1e-4, -2e-4) and info.distortion.centre == (0.51, 0.49)
    assert info.vignetting == (-0.3, 0.1, 0.02, 0.0, 0.0)
    planes = struct.pack(">I", 3) + b"".join(struct.pack(">6d", 1 + i / 100, 0, 0, 0, 0, 0) for i in range(3))
    three = struct.pack(">I4I", 1, 1, 0x01030000, 1, len(planes) + 16) + planes + struct.pack(">2d", 0.5, 0.5)
    found, _ = lens_from_opcodes(three)
    assert found is not None and found.radial[0] == 1.01, "the green plane's"


@given(st.binary(max_size=300))
def test_no_opcode_bytes_are_fatal(blob: bytes) -> None:
    opcodes(blob)
    lens_from_opcodes(blob)
    lens_from_opcodes(struct.pack(">I4I", 1, 1, 0, 0, len(blob)) + blob)


def bad_files(folder: Path, good: bytes) -> dict[str, Path]:
    """A file of every kind that goes wrong."""
    Image.new("RGB", (64, 48), "grey").save(folder / "picture.jpg")
    made = {
        "empty.dng": b"",
        "text.nef": b"these are the notes of the day\n" * 99,
        "cut.dng": good[: len(good) * 2 // 3],
        "header.dng": good[:200],
        "wrong.cr2": (folder / "picture.jpg").read_bytes(),
        "raw.jpg": good,
        "noise.raf": bytes(np.random.default_rng(1).integers(0, 256, 4000, dtype=np.uint8)),
        "huge.dng": good.replace(struct.pack("<HHII", 256, 4, 1, 96), struct.pack("<HHII", 256, 4, 1, 900_000_000)),
    }
    (folder / "picture.jpg").unlink()
    for name, data in made.items():
        (folder / name).write_bytes(data)
    return {name: folder / name for name in made}


def test_bad_files_get_one_clear_sentence(write_dng: Write, tmp_path: Path) -> None:
    raw = np.random.default_rng(0).integers(100, 3000, (64, 96)).astype(np.uint16)
    good = write_dng("good.dng", raw).read_bytes()
    for name, path in bad_files(tmp_path, good).items():
        with pytest.raises(UserError) as told:
            pytest.fail(f"{name}: {read_info(path)} {read_mosaic(path)}")
        text = str(told.value)
        assert str(path) in text and "\n" not in text and len(text) < 300, name
    with pytest.raises(UserError, match="folder"):
        read_info(tmp_path)
    with pytest.raises(UserError, match="cannot be opened"):
        read_info(tmp_path / "missing.dng")


def test_black_end_of_a_cut_file_is_noticed(write_dng: Write) -> None:
    raw = np.random.default_rng(0).integers(100, 3000, (200, 300)).astype(np.uint16)
    raw[120:] = 0
    with pytest.raises(UserError, match="cut short"):
        read_mosaic(write_dng("dark.dng", raw))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damaged_headers_are_refused_or_read(tmp_path: Path, write_dng: Write, data: st.DataObject) -> None:
    raw = np.random.default_rng(0).integers(100, 3000, (32, 48)).astype(np.uint16)
    good = bytearray(write_dng("g.dng", raw).read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        # LibRaw's and exiv2's own crashes are for the worker processes; here only our reading of what they give.
        place = data.draw(st.integers(8, 900))
        good[place] ^= 1 << data.draw(st.integers(0, 7))
    path = tmp_path / "m.dng"
    path.write_bytes(bytes(good))
    try:
        info = read_info(path)
        assert info.width > 0
        mosaic = read_mosaic(path)
        assert mosaic.raw.ndim == 2
    except UserError as problem:
        assert str(path) in str(problem)


def test_finished_pictures_say_what_is_lost(tmp_path: Path) -> None:
    deep = np.zeros((40, 60, 3), np.uint16)
    deep[:, 30:] = 32768
    tifffile.imwrite(tmp_path / "a.tif", deep, photometric="rgb")
    rgb, remarks = read_rendered(tmp_path / "a.tif")
    # IEC 61966-2-1: half the code value is 0.2140 of the light.
    assert rgb.dtype == np.float32 and rgb[0, 59] == pytest.approx(0.2140, abs=2e-4)
    assert not any("8 bits" in r for r in remarks) and any("tone" in r for r in remarks)
    Image.fromarray((deep >> 8).astype(np.uint8)).save(tmp_path / "b.jpg", quality=95)
    rgb, remarks = read_rendered(tmp_path / "b.jpg")
    assert any("8 bits" in r for r in remarks)
    assert not read_info(tmp_path / "b.jpg").is_raw
    with pytest.raises(UserError, match="not a raw"):
        read_mosaic(tmp_path / "b.jpg")


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "heic"])
def test_a_phones_display_p3_keeps_its_colours(tmp_path: Path, ending: str) -> None:
    """Against colour-science: Display P3 codes as linear sRGB, those beyond it below 0 or above 1."""
    codes = np.zeros((48, 96, 3), np.uint8)
    codes[:, :32], codes[:, 32:64], codes[:, 64:] = (250, 20, 20), (30, 200, 60), (128, 128, 128)
    path = tmp_path / f"a.{ending}"
    if ending == "heic":
        heif = pytest.importorskip("pillow_heif", reason="pillow-heif is not installed")
        given = {
            "color_primaries": 12,
            "transfer_characteristics": 13,
            "matrix_coefficients": 6,
            "full_range_flag": 1,
        }
        heif.from_pillow(Image.fromarray(codes)).save(path, quality=100, chroma=444, **given)
    elif ending == "tif":
        tifffile.imwrite(path, codes.astype(np.uint16) * 257, photometric="rgb", iccprofile=profile("display-p3"))
    else:
        Image.fromarray(codes).save(
            path, icc_profile=profile("display-p3"), **({"quality": 100, "subsampling": 0} if ending == "jpg" else {})
        )
    rgb, remarks = read_rendered(path)
    spaces = colour.RGB_COLOURSPACES
    wanted = colour.RGB_to_RGB(colour.models.eotf_sRGB(codes / 255), spaces["Display P3"], spaces["sRGB"], None)
    assert wanted.min() < -0.02 and wanted.max() > 1.05, "colours that sRGB has not"
    np.testing.assert_allclose(
        rgb[24, [16, 48, 80]], wanted[24, [16, 48, 80]], atol=0.02 if ending != "tif" else 2e-3
    )
    assert not any("profile" in remark for remark in remarks)
    if ending == "jpg":
        Image.fromarray(codes).save(path, icc_profile=b"damaged" * 40)
        assert any("profile cannot be used" in remark for remark in read_rendered(path)[1])


def test_names_in_no_known_encoding_are_made_plain(write_dng: Write) -> None:
    path = write_dng("n.dng", np.full((64, 96), 500, np.uint16) + np.arange(96, dtype=np.uint16))
    path.write_bytes(path.read_bytes().replace(b"Fennimark\0", b"F\xed\x07nimark\0"))
    make = read_info(path).make
    assert make.startswith("F") and make.endswith("nimark") and make.isprintable()
    make.encode("utf-8")


def test_a_pattern_that_nothing_can_be_made_of_is_named(write_dng: Write) -> None:
    raw = np.random.default_rng(0).integers(100, 3000, (64, 96)).astype(np.uint16)
    with pytest.raises(UserError, match="has the filter colours"):
        read_mosaic(write_dng("s.dng", raw, pattern=[0, 2, 1, 1]))


def test_a_packing_that_cannot_be_read_is_named(write_dng: Write) -> None:
    path = write_dng("x.dng", np.random.default_rng(0).integers(100, 3000, (64, 96)).astype(np.uint16))
    plain, jpeg_xl = (struct.pack("<HHIHH", 259, 3, 1, kind, 0) for kind in (1, 52546))  # Compression, DNG 1.7
    path.write_bytes(path.read_bytes().replace(plain, jpeg_xl))
    with pytest.raises(UserError, match=r"LibRaw does not read \(JPEG XL\)"):
        read_mosaic(path)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(["mono", "linear", "6x6"]), st.data())
def test_damaged_headers_of_other_forms_are_refused_or_read(tmp_path: Path, form: Any, data: st.DataObject) -> None:
    raw = np.random.default_rng(0).integers(300, 3000, (120, 120, 3)).astype(np.uint16)
    body = SimulatedCamera(width=120, height=120, filters=form)
    meta = DngMeta("Fennimark", "Alder", "1", "", datetime(2031, 6, 1), 0.1, 4.0, 400, 12, 24, body.black, body.white,
                   body.xyz_to_camera, body.neutral, body.sensor_mm, pattern=body.pattern)  # fmt: skip
    path = tmp_path / "f.dng"
    dng.write_dng(path, raw if form == "linear" else raw[..., 0], meta)
    damaged = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(0, 6))):
        damaged[data.draw(st.integers(8, 900))] ^= 1 << data.draw(st.integers(0, 7))
    path.write_bytes(bytes(damaged))
    try:
        mosaic = read_mosaic(path, read_info(path))
        assert mosaic.raw.ndim == 2
        assert (mosaic.whole is None) == (mosaic.form in ("bayer", "mono"))
    except UserError as problem:
        assert str(path) in str(problem)


def test_a_linear_dng_of_another_writer(tmp_path: Path) -> None:
    rgb = np.random.default_rng(0).integers(100, 3000, (64, 96, 3)).astype(np.uint16)
    tifffile.imwrite(
        tmp_path / "l.dng",
        rgb,
        photometric=34892,
        extratags=[(50706, 1, 4, bytes([1, 4, 0, 0]), True), (50708, 2, 0, "Fennimark Linear", True),
                   (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True)],
    )  # fmt: skip
    mosaic = read_mosaic(tmp_path / "l.dng")
    assert mosaic.form == "linear" and mosaic.whole is not None
    np.testing.assert_array_equal(mosaic.whole, rgb)
    np.testing.assert_array_equal(mosaic.raw[1::2, 1::2], rgb[1::2, 1::2, 2])


def test_daylight_needs_a_believable_matrix() -> None:
    assert daylight_of(np.zeros((3, 3))) is None
    assert daylight_of(np.eye(3)) == pytest.approx((1 / 0.95047, 1.0, 1 / 1.08883))


def test_a_phones_heic_is_read_and_a_damaged_one_refused_in_a_sentence(tmp_path: Path) -> None:
    """Written by libheif (ISO/IEC 23008-12), through its own wrapper."""
    heif = pytest.importorskip("pillow_heif", reason="pillow-heif is not installed")
    y, x = np.mgrid[:96, :160]
    light = np.stack([x, 255 - x, y * 2], axis=-1).astype(np.uint8)
    path = tmp_path / "IMG_1.HEIC"
    heif.from_pillow(Image.fromarray(light)).save(path, quality=95)
    info = read_info(path)
    assert (info.width, info.height, info.is_raw) == (160, 96, False)
    rgb, remarks = read_rendered(path)
    plain = np.where(light > 10.31, ((light / 255 + 0.055) / 1.055) ** 2.4, light / 255 / 12.92)  # IEC 61966-2-1
    assert np.median(np.abs(rgb - plain)) < 0.01
    assert any("8 bits" in remark for remark in remarks)
    whole = path.read_bytes()
    for length, read in ((200, read_info), (700, read_rendered)):
        path.write_bytes(whole[:length])
        with pytest.raises(UserError, match=r"IMG_1\.HEIC: cannot be read as a HEIC picture"):
            read(path)
