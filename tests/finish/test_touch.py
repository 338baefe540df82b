"""Places treated by themselves, on pictures whose truth is known: a wall, a window in it, a lamp's colour, a sign."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from clerestory.finish.recipe import Recipe, Touch
from clerestory.finish.take_out import Other, taken_out
from clerestory.finish.touch import evened, lit, stops_map

F32 = np.ndarray
WIDE, HIGH = 900, 640
WINDOW = (300, 160, 480, 460)  # left, top, right, bottom
DRAWN_OVER = 10  # pixels by which an area is drawn past the window's edge, or short of it: a ninetieth of the picture
rng = np.random.default_rng(4)
GRAIN = rng.normal(1, 0.04, (HIGH, WIDE, 1)).astype(np.float32)


def outline(left: float, top: float, right: float, bottom: float) -> tuple[tuple[float, float], ...]:
    ends = ((left, top), (right, top), (right, bottom), (left, bottom))
    return tuple((x / WIDE, y / HIGH) for x, y in ends)


def church() -> np.ndarray:
    """A wall at 0.02 with stone's texture, a window four stops brighter."""
    out = np.full((HIGH, WIDE, 3), 0.02, np.float32)
    left, top, right, bottom = WINDOW
    out[top:bottom, left:right] *= 16
    return cv2.GaussianBlur(out, (0, 0), 0.8) * GRAIN


def test_a_window_drawn_roughly_is_darkened_to_its_edge_without_a_halo() -> None:
    rgb = church()
    left, top, right, bottom = WINDOW
    rough = Touch(kind="light", stops=-1, at=outline(left - DRAWN_OVER, top - DRAWN_OVER, right + DRAWN_OVER,
                                                     bottom - DRAWN_OVER))  # fmt: skip
    done = np.log2(lit(rgb.copy(), [rough]) / rgb)[..., 1]
    assert done.min() > -1.001 and done.max() == 0, "never more than asked, never the other way"
    glass = done[top + 3 : bottom - 3, left + 3 : right - 3]
    assert np.percentile(glass, 95) < -0.97 and glass.mean() < -0.97, "all of the glass, where it was drawn short too"
    wall = np.ones((HIGH, WIDE), bool)
    wall[top - 3 : bottom + 3, left - 3 : right + 3] = False
    assert np.percentile(done[wall], 0.5) > -0.08, "the wall beside it stays, where it was drawn over too"
    assert np.abs(done[wall]).mean() < 0.003
    far = np.ones((HIGH, WIDE), bool)
    far[top - 70 : bottom + 70, left - 70 : right + 70] = False
    assert not done[far].any(), "and beyond its reach not a bit changes"


def test_stops_are_stops_and_a_stroke_falls_off_softly() -> None:
    rgb = church()
    at = tuple((x / WIDE, 0.85) for x in (150, 400, 700))
    stroke = {s: stops_map(rgb, [Touch(kind="light", stops=s, at=at, width=0.1)]) for s in (0.5, 1.0, 2.0)}
    middle = round(0.85 * HIGH)
    assert stroke[1.0][middle, 400] == pytest.approx(1, abs=1e-3)
    assert np.allclose(stroke[2.0], 2 * stroke[1.0], atol=1e-6)
    assert np.allclose(stroke[0.5], 0.5 * stroke[1.0], atol=1e-6), "monotone, and proportional, in stops"
    across = stroke[1.0][:, 400]
    assert np.abs(np.diff(across)).max() < 0.12, "no hard rim on a plain wall"
    assert across[middle - 80] == 0 and across[middle + 80] == 0
    assert not stops_map(rgb, [Touch(kind="light", stops=1, at=at, width=0.1, off=True)]).any()


def test_a_place_keeps_to_the_stone_at_any_fineness() -> None:
    """The preview's mask is the export's: found at half the size it covers the same."""
    rgb = church()
    touch = [Touch(kind="light", stops=1, at=outline(280, 140, 500, 480))]
    large = cv2.resize(rgb, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    small = cv2.resize(stops_map(large, touch), (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    off = np.abs(small - stops_map(rgb, touch))
    assert off.mean() < 0.004 and np.percentile(off, 99) < 0.12


def test_a_wall_is_evened_to_its_own_colour_and_nothing_else_is() -> None:
    rgb = church()
    x = np.linspace(-1, 1, WIDE, dtype=np.float32)[None, :, None]
    tint = np.exp2(np.concatenate([0.35 * x, 0 * x, -0.45 * x], axis=-1))  # a lamp on one side, daylight on the other
    lamp = rgb * tint
    shield = np.s_[480:540, 560:640]
    lamp[shield] *= np.float32([2.2, 0.6, 0.5])  # painted red on that wall
    wall = Touch(kind="even colour", at=outline(60, 120, 860, 620))
    done = evened(lamp.copy(), [wall])

    def colour(image: np.ndarray, box: tuple[slice, slice]) -> np.ndarray:
        mean = cv2.blur(image, (31, 31))[box]
        return np.log2(mean[..., [0, 2]] / mean[..., 1:2])

    plain = np.s_[560:600, 120:800]
    assert colour(lamp, plain).std(axis=(0, 1)).max() > 0.15
    assert colour(done, plain).std(axis=(0, 1)).max() < 0.02
    assert np.allclose(
        np.median(colour(done, plain), axis=(0, 1)), np.median(colour(lamp, plain), axis=(0, 1)), atol=0.04
    )
    light = np.array([0.2627, 0.6780, 0.0593], np.float32)  # ITU-R BT.2020
    assert np.allclose(done @ light, lamp @ light, rtol=1e-5), "brightness is kept"
    contrast = np.log2(done[shield].mean(axis=(0, 1)) / done[590:610, 560:640].mean(axis=(0, 1)))
    true = np.log2([2.2, 0.6, 0.5])
    assert np.allclose(contrast - contrast[1], true - true[1], atol=0.12), "what is painted on it stays as it was"
    assert np.array_equal(done[:80], lamp[:80])


def a_wall(seed: int) -> np.ndarray:
    """Coursed stone: blocks and joints, so that frames can be laid on one another."""
    local = np.random.default_rng(seed)
    out = np.kron(local.uniform(0.05, 0.14, (16, 18)), np.ones((40, 50))).astype(np.float32)
    out = np.repeat(cv2.GaussianBlur(out, (0, 0), 1)[..., None], 3, axis=-1)
    return out[:HIGH, :WIDE] * GRAIN


def test_a_sign_is_taken_out_by_the_frame_that_shows_what_is_behind_it() -> None:
    wall = a_wall(7)
    sign = np.s_[250:330, 400:470]
    mine, alike, clear = wall.copy(), wall.copy(), wall * np.float32([0.6, 0.55, 0.5])
    mine[sign] = alike[sign] = np.float32([0.4, 0.35, 0.05])
    turn = cv2.getRotationMatrix2D((WIDE / 2, HIGH / 2), 0.8, 1.0)
    turn[:, 2] += (9.3, -6.6)
    moved = [cv2.warpAffine(i, turn, (WIDE, HIGH), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
             for i in (alike, clear)]  # fmt: skip
    others = [Other("HM0002.dng", lambda: moved[0]), Other("HM0003.dng", lambda: moved[1])]
    touch = Touch(kind="take out", at=outline(394, 244, 476, 336))
    done, told = taken_out(mine.copy(), [touch], others)
    assert (told[0].how, told[0].frame) == ("another frame", "HM0003.dng")
    off = np.abs(np.log2(cv2.blur(done, (5, 5))[sign] / cv2.blur(wall, (5, 5))[sign]))
    assert off.mean() < 0.03, "what is behind the sign is the wall itself, in this frame's own light"
    assert np.array_equal(done[:200], mine[:200]) and np.array_equal(done[:, 520:], mine[:, 520:])

    left, told = taken_out(mine.copy(), [touch], others[:1])
    assert told[0].how == "left" and np.array_equal(left, mine), "the sign hangs there in the other frame too"
    filled, told = taken_out(mine.copy(), [touch.model_copy(update={"by": "surroundings"})], others[:1])
    assert told[0].how == "surroundings" and "not seen" in told[0].said
    assert filled[sign][..., 2].mean() > 0.06, "only where asked for, the stone round it is drawn over it"


def test_touches_are_readable_numbers_and_mistakes_are_told() -> None:
    recipe = Recipe.model_validate({"touches": [{"kind": "light", "stops": 0.8, "width": 0.05, "at": [[0.2, 0.3]]}]})
    assert recipe.toml() == '[[touches]]\nkind = "light"\nat = [[0.2, 0.3]]\nwidth = 0.05\nstops = 0.8\n'
    for wrong, said in (({"kind": "light", "share": 0.5, "width": 0.1}, "belongs to the kind 'even colour'"),
                        ({"kind": "take out"}, "three points")):  # fmt: skip
        with pytest.raises(ValueError, match=said):
            Touch.model_validate({"at": [[0.2, 0.3]], **wrong})
