"""Frames of other sensors than Bayer's, simulated with their truth: one channel, three values a pixel, 6 x 6."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import colour
import cv2
import exiv2
import numpy as np
import pytest
import rawpy
from numpy.typing import NDArray

import clerestory as cl
from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.develop import denoise
from clerestory.develop.colour import XYZ_FROM_WORKING, balanced_values
from clerestory.develop.defects import open_corrected
from clerestory.develop.demosaic import demosaic, signal_of
from clerestory.develop.forms import balanced_of_form, neutral_highlights
from clerestory.develop.wide_defects import correct_wide_defects, find_wide_defects
from clerestory.finish.source import read_source
from clerestory.finish.sources import source_of
from clerestory.raw.group import View
from clerestory.raw.read import Mosaic, read_mosaic
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church, Rendered
from clerestory.simulate.shoot import Shot, SimulatedFrame, shoot, write_frame

FORMS = ("mono", "linear", "6x6")
BODY = SimulatedCamera(width=864, height=648)
FLAT = Lens(distortion=Distortion(), vignetting=(0, 0, 0, 0, 0))
LEANING = Pose(0.05, 0.16, 0.03, (0.2, 3.0, 1.6))


class Steps:
    """Neutral cards of rising luminance side by side, blurred into each other."""

    def render(self, camera: Camera, pose: Pose, **_: object) -> Rendered:
        level = 0.15 * 2.0 ** (np.arange(camera.width) * 12 // camera.width / 2)
        across = cv2.GaussianBlur(np.tile(level, (2, 1)), (0, 0), 6)[0]
        light = np.broadcast_to(across[None, :, None], (camera.height, camera.width, 3)).astype(np.float32)
        depth = np.full(light.shape[:2], 10, np.float32)
        return Rendered(np.ascontiguousarray(light), depth, np.zeros(light.shape[:2], bool))


@cache
def cards(form: str, seed: int = 2) -> SimulatedFrame:
    shot = Shot(Pose(), 12, 5.6, 1 / 4, 800, shake_px=0.0, focus_m=None)
    return shoot(Steps(), shot, replace(BODY, filters=form), FLAT, seed=seed)  # type: ignore[arg-type]


def written(frame: SimulatedFrame, path: Path) -> Path:
    write_frame(frame, path)
    return path


@pytest.mark.parametrize("form", FORMS)
def test_libraw_and_exiv2_read_back_what_was_written(form: str, tmp_path: Path) -> None:
    frame = cards(form)
    path = written(frame, tmp_path / "a.dng")
    with rawpy.imread(str(path)) as handle:
        seen = handle.raw_image_visible
        np.testing.assert_array_equal(seen[..., :3] if form == "linear" else seen, frame.raw)
        assert handle.white_level == BODY.white and handle.black_level_per_channel[0] == BODY.black
        if form == "6x6":
            np.testing.assert_array_equal(handle.raw_pattern, replace(BODY, filters="6x6").pattern)
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    data = image.exifData()
    # DNG 1.4, chapter 2: 34892 LinearRaw, 32803 colour filter array.
    assert data["Exif.Image.PhotometricInterpretation"].toInt64() == (32803 if form == "6x6" else 34892)
    assert data["Exif.Image.SamplesPerPixel"].toInt64() == (3 if form == "linear" else 1)
    assert (image.pixelWidth(), image.pixelHeight()) == (BODY.width, BODY.height)


@pytest.mark.parametrize("form", FORMS)
def test_grey_cards_come_out_grey(form: str, tmp_path: Path) -> None:
    rgb = cl.linear_rgb(written(cards(form), tmp_path / "a.dng"))
    assert rgb.shape == (BODY.height, BODY.width, 3)
    patches = np.array([rgb[60:-60, x : x + 32].mean(axis=(0, 1)) for x in range(20, BODY.width - 40, 72)])
    assert patches.max() < 0.95, "nothing of it is clipped"
    # CIE 15: Lab under D65, as colour-science reckons it; the chroma is what keeps a card from grey.
    white = np.array([0.3127, 0.3290])
    lab = colour.XYZ_to_Lab(patches @ XYZ_FROM_WORKING.T, white)
    assert np.hypot(lab[:, 1], lab[:, 2]).max() < 0.5
    # And as light as they were: half a stop from card to card.
    steps = np.diff(np.log2(patches[:, 1]))
    np.testing.assert_allclose(steps, 0.5, atol=0.06)


@pytest.mark.parametrize("size", [(1296, 600), (200, 300), (640, 480)])
def test_levels_survive_the_demosaic_of_any_size(size: tuple[int, int]) -> None:
    width = size[1]
    level = 900 + np.arange(width) * 0.5
    values = np.broadcast_to(np.rint(level), size).astype(np.uint16)
    pattern = np.array(replace(BODY, filters="6x6").pattern, np.int8)
    black, white = np.full(4, 256.0), np.full(4, 4095.0)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    mosaic = Mosaic(values[:96, :96], cfa, black, white, None, None, None, form="6x6", whole=values, pattern=pattern)
    done = balanced_values(demosaic(signal_of(mosaic), mosaic, (2.0, 1.0, 1.5), "one pass"))
    assert done.shape == (*size, 3)
    true = ((level - 256) / 3839 * np.array([2.0, 1.0, 1.5])[:, None]).T
    inside = done[12:-12, 12:-12]
    np.testing.assert_allclose(inside, np.broadcast_to(true[12:-12], inside.shape), rtol=0.02)


def test_a_6_x_6_pattern_of_another_order_is_demosaiced_too() -> None:
    pattern = np.tile(np.array([[1, 0, 2], [2, 1, 0], [0, 2, 1]], np.int8), (2, 2))
    values = np.full((600, 600), 1500, np.uint16)
    black, white = np.full(4, 256.0), np.full(4, 4095.0)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    mosaic = Mosaic(values[:96, :96], cfa, black, white, None, None, None, form="6x6", whole=values, pattern=pattern)
    done = balanced_values(demosaic(signal_of(mosaic), mosaic, (2.0, 1.0, 1.5), "one pass"))
    np.testing.assert_allclose(done.mean(axis=(0, 1)), (1500 - 256) / 3839 * np.array([2.0, 1.0, 1.5]), rtol=0.01)


@pytest.mark.parametrize("form", FORMS)
def test_noise_is_measured_within_8_percent(form: str, tmp_path: Path) -> None:
    body = replace(BODY, filters=form)  # type: ignore[arg-type]
    true, found = body.noise_model(800), open_corrected(written(cards(form), tmp_path / "a.dng")).noise
    assert found is not None
    assert found.gain[1] == pytest.approx(true.gain[1], rel=0.08)


def test_hot_and_dead_pixels_behind_a_6_x_6_pattern_are_mended(tmp_path: Path) -> None:
    frame = cards("6x6")
    rng = np.random.default_rng(4)
    places = np.unique(rng.integers(20, 600, (60, 2)), axis=0)
    raw = frame.raw.copy()
    raw[places[:, 0], places[:, 1]] = np.where(np.arange(len(places)) % 2, 3600, BODY.black)
    mosaic = read_mosaic(written(replace(frame, raw=raw), tmp_path / "a.dng"))
    noise = BODY.noise_model(800)
    found = {(int(y), int(x)) for y, x in find_wide_defects(mosaic, noise)}
    meant = {(int(y), int(x)) for y, x in places}
    assert len(meant - found) <= 0.1 * len(meant), "where light is low a dead pixel drowns in noise"
    assert len(found - meant) < 1e-4 * raw.size
    mended = correct_wide_defects(mosaic, noise)
    assert mended.whole is not None and mosaic.whole is not None
    off = [abs(float(mended.whole[p]) - float(frame.raw[p])) for p in found & meant]
    assert max(off) < 8 * np.sqrt(noise.gain[1] * 3000)


def quality(rgb: NDArray[np.float32], truth: NDArray[np.float32]) -> float:
    """Peak signal to noise, dB, of square-rooted values."""
    a, b = (np.sqrt(np.clip(v[24:-24, 24:-24], 0, 1)) for v in (rgb, truth))
    return float(-10 * np.log10(np.mean((a - b) ** 2)))


@pytest.mark.parametrize("form", FORMS)
def test_noise_reduction_gains(form: str, tmp_path: Path) -> None:
    """At least 4 dB on even cards, where Bayer's gain is the like."""
    mosaic = read_mosaic(written(cards(form), tmp_path / "a.dng"))
    balance = mosaic.as_shot
    assert balance is not None
    noise = replace(BODY, filters=form).noise_model(800)  # type: ignore[arg-type]
    noisy, clean = (balanced_of_form(mosaic, noise, balance, share, "fast") for share in (0.0, 1.0))
    truth = np.broadcast_to(noisy.mean(axis=0, keepdims=True), noisy.shape)  # the cards are even from top to bottom
    assert quality(clean, truth) - quality(noisy, truth) > 4


def test_strips_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    values = cards("linear").raw.astype(np.float32) - BODY.black
    span, noise = np.full(3, float(BODY.range)), BODY.noise_model(800)
    strips, whole = values.copy(), values.copy()
    denoise.denoise_three(strips, span, noise)
    monkeypatch.setattr(denoise, "ROWS", 4096)
    denoise.denoise_three(whole, span, noise)
    # Values are in raw units, in sums of float32 in another order.
    np.testing.assert_allclose(strips, whole, atol=0.5)


@pytest.mark.parametrize("form", FORMS)
def test_verticals_are_found_within_their_bound(form: str, tmp_path: Path) -> None:
    shot = Shot(LEANING, 12, 5.6, 1 / 15, 800, shake_px=0.3)
    frame = shoot(Church(1), shot, replace(BODY, filters=form), Lens(), seed=5)  # type: ignore[arg-type]
    found = cl.vertical_of(written(frame, tmp_path / "a.dng"))
    assert found.verdict == "sure"
    up = np.array(frame.truth["up"])
    error = np.degrees(np.arccos(min(1.0, abs(float(np.dot(found.up, up) / np.linalg.norm(found.up))))))
    assert error < found.bound_deg < 1.0


@pytest.mark.parametrize("form", FORMS)
def test_a_run_is_merged(form: str, tmp_path: Path) -> None:
    paths = tuple(written(cards(form, seed), tmp_path / f"{seed}.dng") for seed in (2, 3, 4))
    source = source_of(View("v", "burst", paths, paths[0], "by hand"))
    assert len(source.frames) == 3 and source.noise is not None
    assert source.mosaic is not None and source.mosaic.as_shot is not None
    one = read_mosaic(paths[0])
    noise = replace(BODY, filters=form).noise_model(800)  # type: ignore[arg-type]
    single = balanced_of_form(one, noise, source.mosaic.as_shot, 0.0, "fast")
    merged = balanced_of_form(source.mosaic, source.noise, source.mosaic.as_shot, 0.0, "fast")
    # The cards are even from top to bottom: what changes along a column is noise, a third of its variance in three,
    # less where a frame lies between pixels.
    before, after = (np.diff(v[40:-40, 40:-40, 1], axis=0).var() for v in (single, merged))
    assert before / 6 < after < 1.12 * before / 3
    np.testing.assert_allclose(merged.mean(axis=(0, 1)), single.mean(axis=(0, 1)), rtol=0.002)
    if form == "mono":
        assert np.ptp(cl.finish_picture(source).rgb, axis=2).max() < 1e-4


@pytest.mark.parametrize(("toning", "sign"), [(0.6, 1), (-0.6, -1)])
def test_a_monochrome_picture_is_toned_at_its_own_lightness(toning: float, sign: int, tmp_path: Path) -> None:
    """Warm towards yellow, cold towards blue, in CIELAB (CIE 15) as colour-science reckons it."""
    source = read_source(written(cards("mono"), tmp_path / "a.dng"))
    plain, toned = (cl.finish_picture(source, cl.Recipe(toning=t)).rgb[::8, ::8].reshape(-1, 3) for t in (0, toning))
    assert np.ptp(plain, axis=1).max() < 1e-4
    lab = [colour.XYZ_to_Lab(rgb @ XYZ_FROM_WORKING.T, np.array([0.3127, 0.3290])) for rgb in (plain, toned)]
    assert np.abs(lab[1][:, 0] - lab[0][:, 0]).max() < 0.6
    middle = (lab[0][:, 0] > 40) & (lab[0][:, 0] < 60)
    assert middle.any() and (sign * lab[1][middle, 2] > 4).all() and np.hypot(*lab[1][:, 1:].T).max() < 15


def test_what_is_clipped_in_all_colours_turns_white() -> None:
    ceiling = np.array([2.0, 1.0, 1.6])
    rgb = np.array([[[2.0, 1.0, 1.6], [0.5, 0.4, 0.3], [1.5, 1.0, 0.7], [0.4, 1.0, 0.5]]], np.float32)
    out = neutral_highlights(rgb.copy(), ceiling)[0]
    np.testing.assert_allclose(out[0], 2.0)
    np.testing.assert_array_equal(out[1], rgb[0, 1])
    np.testing.assert_allclose(out[2], [1.5, 1.5, 0.7])  # green was lost: at least what red shows
    np.testing.assert_allclose(out[3], [0.4, 1.0, 0.5])


def test_one_frame_is_described(tmp_path: Path) -> None:
    lines = cl.describe_frame(written(cards("linear"), tmp_path / "a.dng"))
    assert "three colours" in lines[0] and "864 x 648" in lines[0] and "Verger" in lines[0]
    assert "finish: yes" in lines and any(line.startswith("merge with others: yes") for line in lines)
    assert any("white balance as shot" in line for line in lines)
    mono = cl.describe_frame(written(cards("mono"), tmp_path / "m.dng"))
    assert any(line.startswith("merge with others: yes") for line in mono) and "colour: none" in mono
