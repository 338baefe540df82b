"""The invented camera: its colour worked out as described, and nothing about it any real camera's."""

from __future__ import annotations

import ctypes
import tomllib
import warnings
from importlib.resources import files
from pathlib import Path

import lensfunpy
import numpy as np
import pytest
import rawpy

from clerestory.simulate.camera import SENSITIVITIES, Lens, SimulatedCamera, observer, sensitivities

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

SHAPE = colour.SpectralShape(380, 780, 5)
GRID = np.arange(380.0, 781.0, 5.0)
BODY, LENS = SimulatedCamera(), Lens()
MATRIX = np.array(BODY.xyz_to_camera)
RAW = Path(__file__).parents[3] / "shared" / "data" / "raws" / "CRW_0304.CRW"
NEAR = 0.03  # a row that differs by no more than this from a real one in each of its three numbers is near it


def cie_observer() -> np.ndarray:
    """CIE 1931 2-degree colour matching functions as colour-science holds the table."""
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE)
    return np.asarray(table.values)


def d65() -> np.ndarray:
    """The table of D65, 81 wavelengths."""
    return np.asarray(colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE).values)


def test_observer_is_near_the_cie_table() -> None:
    assert np.abs(observer(GRID) - cie_observer()).max() < 0.025  # as its authors state for this fit


def test_matrix_is_the_least_squares_fit_under_the_cie_table() -> None:
    fitted = np.linalg.lstsq(cie_observer(), sensitivities(GRID), rcond=None)[0].T
    white = d65() @ cie_observer()
    assert pytest.approx(fitted / (fitted[1] @ (white / white[1])), abs=0.01) == MATRIX
    assert BODY.neutral[1] == pytest.approx(1, abs=1e-3)


def test_camera_sees_daylight_and_a_colour_chart_as_its_matrix_says() -> None:
    """The curves times D65 times reflectance against the matrix times XYZ.

    The 24 measured reflectances of the chart of colour-science ("ColorChecker N Ohta"). No matrix is exact for dyes;
    a neutral must come close, and colours nearly.
    """
    light = d65()[:, None] * sensitivities(GRID)
    seen = light.sum(axis=0) / light[:, 1].sum()
    assert seen == pytest.approx(BODY.neutral, rel=0.06)
    assert 1.9 < 1 / BODY.neutral[0] < 2.2 and 1.5 < 1 / BODY.neutral[2] < 1.7
    chart = colour.SDS_COLOURCHECKERS["ColorChecker N Ohta"].values()
    patches = np.array([patch.copy().align(SHAPE).values for patch in chart])
    exact = patches @ light / light.sum(axis=0)
    xyz = patches @ (d65()[:, None] * cie_observer()) / (d65() @ cie_observer())[1]
    told = xyz @ MATRIX.T / np.array(BODY.neutral)
    assert np.sqrt(np.mean((told - exact) ** 2)) < 0.03
    assert [m for m, _, _ in SENSITIVITIES] == sorted((m for m, _, _ in SENSITIVITIES), reverse=True)


def libraw() -> Path:
    """LibRaw's shared library beside rawpy."""
    folder = Path(rawpy.__file__).parent
    places = (folder, folder.parent / "rawpy.libs", folder / ".dylibs")
    found = sorted(p for place in places if place.is_dir() for p in place.iterdir() if "raw_r" in p.name.lower())
    if not found:
        pytest.skip(f"no shared library of LibRaw beside {folder}: its tables cannot be read")
    return found[0]


def known_rows(library: Path) -> tuple[np.ndarray, np.ndarray]:
    """What LibRaw's table of camera matrices holds: all matrices, N x 3 x 3, and all rows of three, M x 3.

    The table is of whole ten-thousandths, XYZ to camera, as 32-bit numbers: every run of three small numbers anywhere
    in the library counts as a row, and every run of nine with a matrix's large diagonal as a matrix.
    """
    data = library.read_bytes()
    words = np.frombuffer(data[: len(data) // 4 * 4], "<i4").astype(np.int64)
    rows, runs = (np.lib.stride_tricks.sliding_window_view(words, n) for n in (3, 9))
    rows = rows[(np.abs(rows) <= 30_000).all(axis=1) & (rows != 0).any(axis=1)]
    plain = (np.abs(runs) <= 30_000).all(axis=1) & (runs[:, [0, 4]] > 1000).all(axis=1) & (runs[:, 8] > 300)
    return runs[plain & ((runs != 0).sum(axis=1) >= 8)].reshape(-1, 3, 3) / 10_000, rows / 10_000


def test_no_row_of_the_matrix_is_near_a_real_cameras() -> None:
    known, rows = known_rows(libraw())
    assert len(known) > 600  # the table was found: LibRaw 0.22 holds some 850 cameras with three colours
    for row in MATRIX:
        nearest = min(known.reshape(-1, 3), key=lambda other: np.abs(other - row).max())
        assert np.abs(nearest - row).max() > NEAR, (row, nearest)
        assert np.abs(rows - row).max(axis=1).min() > 1e-4, row  # nor any three numbers of the library


@pytest.mark.skipif(not RAW.is_file(), reason=f"open data is absent: {RAW}")
def test_the_table_is_read_as_libraw_reads_it() -> None:
    """The matrix LibRaw gives for an open raw file is among those found in its library."""
    with rawpy.imread(str(RAW)) as raw:
        matrix = np.array(raw.rgb_xyz_matrix[:3])
    known, _ = known_rows(libraw())
    assert np.abs(known - matrix).max(axis=(1, 2)).min() < 1e-6


def real_names() -> set[str]:
    """Makers, cameras and lenses of the lens database, and LibRaw's list of cameras; in small letters."""
    database = lensfunpy.Database()
    names = {c.maker for c in database.cameras} | {c.model for c in database.cameras}
    names |= {lens.maker for lens in database.lenses} | {lens.model for lens in database.lenses}
    library = ctypes.CDLL(str(libraw()))
    library.libraw_cameraList.restype = ctypes.POINTER(ctypes.c_char_p)
    listed = library.libraw_cameraList()
    names |= {listed[i].decode("utf-8", "replace") for i in range(library.libraw_cameraCount())}
    return {name.casefold() for name in names}


def test_no_name_is_a_real_cameras_or_lens() -> None:
    """Each word that names an invented maker, camera or lens, here and in the example plan, is in no real name."""
    known = real_names()
    assert len(known) > 2500
    words = {word for name in known for word in name.replace("-", " ").split()}
    plan = tomllib.loads(files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8"))
    invented = [BODY.maker, BODY.model, LENS.name.split(" ")[0], "Fennimark", "Alder"]  # the last two in other tests
    for name in (*invented, *(body["name"] for body in plan["body"])):
        assert name.casefold() not in known, name
        assert not {word.casefold() for word in name.split()} & words, name
    assert BODY.serial.casefold() not in known and LENS.name.casefold() not in known
    spans = {(lens.min_focal, lens.max_focal) for lens in lensfunpy.Database().lenses}
    for span in (LENS.focal_mm, *(lens["focal_mm"] for lens in plan["lens"] if isinstance(lens["focal_mm"], list))):
        assert tuple(span) not in spans, span


def test_demo_and_example_plan_have_the_same_body() -> None:
    plan = tomllib.loads(files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8"))
    (body,) = plan["body"]
    assert (body["name"], body["pixels"], body["sensor_mm"]) == (
        BODY.model, [BODY.width, BODY.height], list(BODY.sensor_mm)
    )  # fmt: skip
    assert (body["base_iso"], body["stabiliser_stops"]) == (BODY.base_iso, LENS.stabiliser_stops)
