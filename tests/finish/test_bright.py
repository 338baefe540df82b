"""Gain maps, read back by libultrahdr (through imagecodecs) and Pillow: neither is ours."""

from __future__ import annotations

import io
from pathlib import Path

import exiv2
import numpy as np
import pytest
from PIL import Image

from clerestory.develop.colour import encode, to_space
from clerestory.finish import tone, write
from clerestory.finish.bright import OFFSET, bright, gain_map, with_gain_map
from clerestory.finish.job import Order, finish_view, job_of
from clerestory.finish.recipe import Recipe
from clerestory.raw.group import View
from clerestory.raw.read import read_rendered
from clerestory.visit.about import About

imagecodecs = pytest.importorskip("imagecodecs", reason="imagecodecs is not installed")


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    """Stone with texture, and a window of coloured panes up to 3 stops over white; scene-linear Rec. 2020."""
    rng = np.random.default_rng(4)
    stone = 0.1 * np.exp2(rng.normal(0, 0.15, (480, 640, 1))) * np.array([1.05, 1.0, 0.92])
    panes = np.exp2(rng.uniform(0.4, 2.9, (12, 14, 1))) * rng.uniform(0.45, 1.0, (12, 14, 3))
    stone[90:330, 180:460] = np.kron(panes, np.ones((20, 20, 1)))
    return stone.astype(np.float32)


@pytest.mark.parametrize("space", ["srgb", "display-p3"])
def test_base_is_the_plain_picture_and_the_bright_one_is_the_scenes_light(scene: np.ndarray, space: str) -> None:
    look = tone.ToneSettings(exposure=0.0, window_hold=3.0)
    shown = tone.apply(scene, look)
    plain = write.encoded(shown, "jpeg", space)
    base = np.asarray(Image.open(io.BytesIO(plain)).convert("RGB"))
    brighter = bright(scene, shown, look.exposure)
    data = with_gain_map(plain, gain_map(base, brighter, space))
    with Image.open(io.BytesIO(data)) as image:  # any reader: the same pixels and profile
        assert np.array_equal(np.asarray(image.convert("RGB")), base)
        with Image.open(io.BytesIO(plain)) as own:
            assert image.info["icc_profile"] == own.info["icc_profile"]
        assert image.n_frames == 2, "multi-picture format, CIPA DC-007"
        image.seek(1)
        assert image.size == (640, 480)
    read = np.asarray(imagecodecs.ultrahdr_decode(data, dtype="float16"), np.float32)[..., :3]
    if space == "srgb":
        wanted = np.clip(scene @ to_space("srgb").T, 0, 8)
        inner = np.zeros(scene.shape[:2], bool)
        inner[90:330, 180:460] = np.kron(np.ones((12, 14)), np.pad(np.ones((10, 10)), 5)) > 0
        inner &= (scene.max(axis=2) > 1.0) & (scene.max(axis=2) < 8.0) & (wanted.min(axis=2) > 0.2)
        off = np.abs((read + OFFSET) / (wanted + OFFSET) - 1)[inner]
        assert np.median(off) < 0.02, f"the scene's light: {np.median(off):.3f}"
    assert np.array_equal(encode(shown, space, 8).shape, read.shape)


def test_what_was_written_is_read_back_as_light_above_white(scene: np.ndarray, tmp_path: Path) -> None:
    """Against libultrahdr's reading of the same file; a file cut short in its map is the plain picture."""
    look = tone.ToneSettings(exposure=0.0, window_hold=3.0)
    shown = tone.apply(scene, look)
    plain = write.encoded(shown, "jpeg", "srgb")
    base = np.asarray(Image.open(io.BytesIO(plain)).convert("RGB"))
    data = with_gain_map(plain, gain_map(base, bright(scene, shown, look.exposure), "srgb"))
    path = tmp_path / "P1.jpg"
    path.write_bytes(data)
    theirs = np.asarray(imagecodecs.ultrahdr_decode(data, dtype="float16"), np.float32)[..., :3]
    ours, remarks = read_rendered(path)
    assert ours.max() > 4 and np.median(np.abs((ours + OFFSET) / (theirs + OFFSET) - 1)) < 0.01
    assert any("light above its white is known" in remark for remark in remarks)
    path.write_bytes(data[: len(data) - 3000])
    cut, remarks = read_rendered(path)
    assert cut.max() <= 1 and any("above its white are gone" in remark for remark in remarks)


def test_stone_is_the_same_on_every_screen(scene: np.ndarray) -> None:
    look = tone.ToneSettings(exposure=0.0, window_hold=3.0)
    shown = tone.apply(scene, look)
    brighter = bright(scene, shown, look.exposure)
    assert np.array_equal(brighter[:80], shown[:80])
    assert brighter.max() <= 8 + 1e-4
    assert brighter[100:320, 200:440].mean() > 1.5 * shown[100:320, 200:440].mean()


def test_an_order_for_it_is_one_file_beside_the_plain_jpeg_with_the_same_words(tmp_path: Path) -> None:
    light = np.full((420, 640, 3), 30, np.uint8)
    light[100:200, 300:400] = 250
    frame = tmp_path / "P1.jpg"
    Image.fromarray(light).save(frame, quality=95)
    view = View("view-01", "single", (frame,), frame, "alone")
    job = job_of(view, Recipe(plumb=0.0), Order(kinds=("jpeg", "bright")), tmp_path, About(title="East window"))
    finish_view(job)
    files = [tmp_path / "pictures" / name for name in ("view-01.jpg", "view-01_bright.jpg")]
    plain, both = (Image.open(path) for path in files)
    assert np.array_equal(np.asarray(plain), np.asarray(both.convert("RGB")))
    assert both.n_frames == 2
    for path in files:
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        assert "East window" in image.xmpData()["Xmp.dc.title"].toString()
    assert imagecodecs.ultrahdr_decode(files[1].read_bytes(), dtype="float16").shape[:2] == plain.size[::-1]
