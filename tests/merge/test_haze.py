"""Haze of joined views: told by all frames together, taken out of each, and what the recipe says of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from clerestory.camera.pose import Pose
from clerestory.develop import glare
from clerestory.develop.colour import LUMINANCE
from clerestory.finish.pipeline import developed, look
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import Source, half_size
from clerestory.finish.sources import source_of
from clerestory.merge import Merged, combine, stitch
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.raw.group import View
from clerestory.raw.read import read_info
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.sensor import expose
from clerestory.web.balances import Balances

F32 = NDArray[np.float32]
# Little noise: a spot of the light that glare is told by is four pixels here, a hundred in a frame of 20 megapixels.
BODY = SimulatedCamera(width=960, height=720, bits=14, black=1024, white=16383, full_well=1e6, read_units=0.3)
FOCAL = 18.0


def _hazed(light: F32, share: float) -> F32:
    """`light`, H x W x 3, of which a lens scatters a share, by another power than the finder takes."""
    y, x = np.mgrid[-119:120, -159:160]
    spread = 1 / (1 + (np.hypot(x, y) / (0.01 * math.hypot(120, 160))) ** 1.5)
    small = cv2.resize(light, (160, 120), interpolation=cv2.INTER_AREA)
    haze = np.dstack([fftconvolve(small[..., k], spread / spread.sum(), mode="same") for k in range(3)])
    return (1 - share) * light + share * cv2.resize(haze.astype(np.float32), light.shape[1::-1])


def _frame(path: Path, light: F32, pose: Pose, k: int, stops: float = 0.0) -> None:
    colour = light * np.float32(2**stops) @ BODY.rec2020_to_camera.T
    signal = np.empty(light.shape[:2], np.float32)
    for r, c, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        signal[r::2, c::2] = colour[r::2, c::2, channel]
    raw = expose(np.maximum(signal, 0), BODY, 400.0, np.random.SeedSequence(k))
    when = datetime(2031, 6, 1, 10) + timedelta(seconds=3 * k)
    level = math.degrees(pose.pitch), math.degrees(pose.roll)
    time = 0.02 * 2**stops
    write_dng(path, raw, DngMeta("Fennimark", "Fennimark Alder", "FA-1", "Fennimark", when, time, 4.0, 400.0, FOCAL,
                                 2 * FOCAL, BODY.black, BODY.white, BODY.xyz_to_camera, BODY.neutral, BODY.sensor_mm,
                                 level=level, orientation=1))  # fmt: skip


@pytest.fixture(scope="module")
def seen() -> list[tuple[F32, Pose]]:
    """What three frames of a modelled aisle and its windows see, 1 two stops under the windows."""
    ways = ((math.radians(24 * k + 40), math.radians(12 + k), 0.01 * (-1) ** k) for k in range(3))
    poses = [Pose(*way, (-1.0, 20.0, 1.6)) for way in ways]
    lights = [Church(seed=3).render(BODY.intrinsics(FOCAL), pose).radiance for pose in poses]
    most = max(float(np.percentile(light @ LUMINANCE, 99.5)) for light in lights)
    return [(light * np.float32(4 / most), pose) for light, pose in zip(lights, poses, strict=True)]


def _view(folder: Path, seen: list[tuple[F32, Pose]], share: float, stops: tuple[float, ...] = (0, 0, 0)) -> View:
    """Frames of what was `seen`, a share of whose light the lens scattered, each exposed some stops more."""
    paths = tuple(folder / f"{share}_{k}.dng" for k in range(3))
    for k, (path, (light, pose)) in enumerate(zip(paths, seen, strict=True)):
        _frame(path, _hazed(light, share), pose, k, stops[k])
    return View("aisle", "panorama", paths, paths[1], "")


@pytest.fixture(scope="module")
def views(tmp_path_factory: pytest.TempPathFactory, seen: list[tuple[F32, Pose]]) -> dict[float, View]:
    """By the share of light that the lens scattered."""
    return {share: _view(tmp_path_factory.mktemp("haze"), seen, share) for share in (0.0, 0.02)}


def _joined(view: View) -> Merged:
    return combine(view, [read_info(p) for p in view.frames], edges=False, denoise=False)


def _untold(monkeypatch: pytest.MonkeyPatch) -> None:
    """Joining as if no frame told of any glare."""
    none = [glare.Glare(0.0, np.ones((4, 4, 3), np.float32))] * 3
    monkeypatch.setattr(stitch, "find_glare_together", lambda _: none)


def _small(merged: Merged) -> tuple[F32, NDArray[np.bool_]]:
    """A joined picture's luminance at an eighth of the pixels of the true one's, and where it shows anything."""
    assert merged.stitched is not None
    size = (360, 180)
    shown = cv2.resize(merged.stitched.inside, size, interpolation=cv2.INTER_AREA)
    light = cv2.resize(merged.stitched.rgb, size, interpolation=cv2.INTER_AREA) @ LUMINANCE.astype(np.float32)
    return np.asarray(light, np.float32), cv2.erode(shown, np.ones((5, 5), np.uint8)) == 255


def _shade(light: F32, shown: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The darker stone in the third of a picture that lies nearest to its windows, but not between their panes."""
    near = cv2.resize(glare.scattered(np.dstack([light] * 3)), light.shape[1::-1])[..., 0]
    between = cv2.dilate(light, np.ones((9, 9))) > 0.8
    close = shown & (near > np.quantile(near[shown], 0.67)) & ~between
    return np.asarray(close & (light < np.quantile(light[close], 0.3)))


def test_haze_beside_windows_is_taken_out_of_joined_frames(
    views: dict[float, View], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the 55 % that 2 % of glare add to the shade beside the windows, more than half is gone."""
    true, shown = _small(_joined(views[0.0]))
    merged = _joined(views[0.02])
    _untold(monkeypatch)
    hazy, less = (_small(one)[0] for one in (_joined(views[0.02]), merged))
    shade = _shade(true, shown)
    before, after = (float(light[shade].mean() / true[shade].mean()) for light in (hazy, less))
    assert before > 1.4
    assert 0.95 < after < 1 + 0.6 * (before - 1)
    assert 0.8 < merged.record["veiling_glare"] < 2
    assert "veiling glare" in " ".join(merged.remarks)


def test_stone_beside_windows_keeps_its_light_where_frames_clip_them_unlike(
    views: dict[float, View], seen: list[tuple[F32, Pose]], tmp_path: Path
) -> None:
    """Broad tones are blended over a wide band, and glass clipped in one frame and not in another is no tone of the
    stone's: it would lie black, green or mauve beside the window."""
    alike, shown = _small(_joined(views[0.0]))
    unlike, also = _small(_joined(_view(tmp_path, seen, 0.0, (0.0, 1.2, 0.7))))
    stone = shown & also & (cv2.dilate(alike, np.ones((5, 5))) < 0.4)
    off = np.abs(np.log2(np.maximum(unlike[stone], 1e-6) / alike[stone]))
    assert np.quantile(off, 0.99) < 0.1
    assert off.max() < 0.6


def test_clipped_blue_glass_of_joined_frames_is_not_shown_cyan(
    views: dict[float, View], seen: list[tuple[F32, Pose]]
) -> None:
    """Blue ends as far over green as the white balance lifts it; cut where green ends, a blue pane whose green is
    clipped, too, would be cyan: one bright place in a hundred, where in the scene itself hardly one is."""

    def cyan(balanced: F32) -> float:
        bright = balanced[balanced.max(axis=-1) > 0.9]
        r, g, b = np.moveaxis(bright, -1, 0)
        return float(np.mean((np.abs(np.log2(b / g)) < 0.1) & (r < 0.5 * g)))

    merged = _joined(views[0.0])
    assert merged.stitched is not None
    gains = np.array(merged.stitched.multipliers, np.float32)
    true = [cyan((light @ BODY.rec2020_to_camera.T * gains).astype(np.float32)) for light, _ in seen]
    assert max(true) < 0.0005
    assert cyan(merged.stitched.rgb) < 0.002


def test_joined_frames_without_glare_stay_as_they_are_to_the_byte(
    views: dict[float, View], monkeypatch: pytest.MonkeyPatch
) -> None:
    told = _joined(views[0.0])
    _untold(monkeypatch)
    plain = _joined(views[0.0])
    assert told.stitched is not None and plain.stitched is not None
    assert np.array_equal(told.stitched.rgb, plain.stitched.rgb)
    assert told.record["veiling_glare"] == 0
    assert "glare" not in " ".join(told.remarks)


def test_a_frame_without_windows_takes_its_neighbours_share() -> None:
    pose = Pose(math.radians(72), math.radians(12), 0.0, (-1.0, 20.0, 1.6))
    lit = Church(seed=3).render(replace(BODY, width=480, height=360).intrinsics(FOCAL), pose).radiance
    lit = (lit / np.percentile(lit @ LUMINANCE, 99.7)).astype(np.float32)
    hazed, wall = _hazed(lit, 0.02), np.full_like(lit, 0.05)
    alone = glare.find_glare(hazed).share
    assert 0.005 < alone < 0.02
    found = glare.find_glare_together([hazed, wall, hazed])
    assert [one.share for one in found] == [alone] * 3
    assert found[1].light.max() < 0.5 * found[0].light.max(), "of the light that is its own"
    assert {one.share for one in glare.find_glare_together([hazed, lit])} == {0.0}, "two of one lens at odds"
    assert glare.find_glare_together([wall])[0].share == 0


def test_the_recipes_share_is_put_back_or_taken_further(views: dict[float, View]) -> None:
    source = source_of(views[0.02])
    told = look(source, Recipe())
    assert source.rendered is not None and told.glare is not None
    was = source.rendered.copy()
    percents = (0.0, 100 * told.glare.share, 4.0)
    back, same, more = (look(source, Recipe(veiling_glare=p)) for p in percents)
    assert np.allclose(same.half, told.half, atol=1e-6)
    for seen, percent in ((back, 0.0), (more, 4.0)):
        assert seen.glare is not None
        assert seen.glare.share == pytest.approx(percent / 100)
        by = glare.Glare(told.glare.share - percent / 100, told.glare.light)
        for light, found in ((told.half, seen.half), (was, developed(seen, Recipe()))):
            wanted = np.maximum(light + by.haze(light.shape), light * glare.LEFT)
            assert np.allclose(found[light.any(axis=-1)], wanted[light.any(axis=-1)], atol=2e-4)
            assert not found[~light.any(axis=-1)].any(), "nothing is put beside the frames"
        under = Balances(told, half_size(source))
        assert np.array_equal(under.seen_under(under.of(Recipe(veiling_glare=percent))).half, seen.half)
    assert np.array_equal(source.rendered, was), "the source's own light stays"


def test_put_back_a_joined_view_is_as_hazy_as_it_was(
    views: dict[float, View], monkeypatch: pytest.MonkeyPatch
) -> None:
    def shade_of(source: Source) -> float:
        return float(np.median(look(source, Recipe(veiling_glare=0.0)).half @ LUMINANCE))

    back = shade_of(source_of(views[0.02]))
    _untold(monkeypatch)
    assert shade_of(source_of(views[0.02])) == pytest.approx(back, rel=0.02)
