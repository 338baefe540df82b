"""Drawings from the plan: a walk over the floors, two distances in true perspective, depth of field in section."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import exiv2
import numpy as np
import pytest

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.camera.rectification import Rectification
from clerestory.errors import UserError
from clerestory.film.light import Renderer
from clerestory.film.section import Section
from clerestory.film.stage import words_meet
from clerestory.film.walk import way_between
from film.test_standpoint import CAMERA, SIZE, TOML, visit_at
from film.test_straightening import record
from teaching import drawn, plan_of, put, shot_of

TURNED = Rectification(np.radians(7.0), 0.0, 1.0, 0.0)


def test_a_way_keeps_to_the_floors_and_is_as_short_as_they_allow() -> None:
    nave = ((-4.0, 0.0), (4.0, 0.0), (4.0, 30.0), (-4.0, 30.0))
    transept = ((4.0, 20.0), (14.0, 20.0), (14.0, 26.0), (4.0, 26.0))
    a, b = (-2.0, 3.0), (12.0, 23.0)
    way = np.array(way_between((nave, transept), a, b))
    assert tuple(way[0]) == a and tuple(way[-1]) == b
    steps = np.concatenate([p + np.linspace(0, 1, 50)[:, None] * (q - p) for p, q in pairwise(way)])
    on_floor = (np.abs(steps[:, 0]) <= 4) | ((steps[:, 0] <= 14) & (steps[:, 1] >= 20) & (steps[:, 1] <= 26))
    assert on_floor.all()
    corner = math.dist(a, (4.0, 20.0)) + math.dist((4.0, 20.0), b)  # the shortest there is, around the inner corner
    assert corner <= np.hypot(*np.diff(way, axis=0).T).sum() < 1.06 * corner


def test_a_walk_begins_and_ends_on_its_standing_points_and_the_dot_is_where_one_is(tmp_path: Path) -> None:
    visit_at(tmp_path, TURNED)
    put(tmp_path, "rose", np.full((450, 600, 3), 0.3))
    record(tmp_path, "rose", CAMERA, TURNED)
    with (tmp_path / "about.toml").open("a", encoding="utf-8") as about:
        about.write('[views.rose]\nplanned = "west rose"\n')
    toml = TOML + '[[shots]]\nwalk = "rose"\nseconds = 6\n'
    scene = shot_of(plan_of(tmp_path, toml, SIZE), 3)
    showing = scene.showing
    frames = [round(showing.begin + share * (showing.end - showing.begin)) for share in (0.0, 0.4, 0.6, 1.0)]
    assert showing.at(frames[0])[1] == 0 and showing.at(frames[-1])[1] == 1
    assert showing.walked(1.0)[-1] == pytest.approx(showing.last.at)
    for frame, luma in zip(frames[1:3], drawn(scene, frames[1:3], SIZE, letters=False), strict=True):
        x, y = showing.first.drawn_at(showing.walked(showing.at(frame)[1])[-1:])[0] * SIZE[0] / 960
        ys, xs = np.nonzero(luma[round(y) - 14 : round(y) + 15, round(x) - 14 : round(x) + 15] > 0.75)
        assert np.hypot(ys.mean() - 14 - y + round(y) + 0.5, xs.mean() - 14 - x + round(x) + 0.5) < 1
    still = shot_of(plan_of(tmp_path, toml.replace("seconds = 6", "seconds = 6\nstill = true"), SIZE), 3).showing
    states = {still.at(frame) for frame in range(still.begin, still.end)}
    assert states == {(1.0, 0.0, 0.0), (0.0, 1.0, 1.0)}  # one is here, then there: nothing moves in between
    with pytest.raises(UserError, match=r"shot 1 \(rose\), line 2: no shot comes before it to walk from"):
        plan_of(tmp_path, '[[shots]]\nwalk = "rose"\n', SIZE)


def test_two_distances_are_drawn_as_the_camera_model_sees_the_room_to_a_pixel(tmp_path: Path) -> None:
    visit_at(tmp_path, TURNED)
    toml = '[[shots]]\ndistance = "arcade"\nstation = "south arcade"\nseconds = 6\n'
    scene = shot_of(plan_of(tmp_path, toml, SIZE))
    showing = scene.showing
    assert showing.back.metres > 1.4 * showing.near.metres and showing.back.focal > showing.near.focal
    points = np.array([*showing.subject, *showing.rooms[0][4:]])
    for share in (0.0, 0.5, 1.0):
        eye = showing.place(share)
        ours = showing.seen(points, eye) * SIZE[0] / 960
        ahead = np.isfinite(ours).all(axis=1)
        assert ahead[:4].all() and ahead.sum() > 4
        camera = Camera.centred(1000, 1000, 500.0)
        theirs = camera.project((points[ahead] - eye) @ Pose(showing.yaw).rotation.T)
        # One scale and a shift each way lay the camera's pixels on the drawing's, and leave nothing over.
        design = np.zeros((2 * len(theirs), 3))
        design[0::2, 0], design[1::2, 0], design[0::2, 1], design[1::2, 2] = theirs[:, 0], theirs[:, 1], 1, 1
        fit, *_ = np.linalg.lstsq(design, ours[ahead].ravel(), rcond=None)
        assert fit[0] > 0 and np.abs(design @ fit - ours[ahead].ravel()).max() < 1
    assert [head for head, _ in showing.words()] == ["Standing back, long lens", "Going near, short lens"]
    low, high = np.array(showing.subject)[:2], np.array(showing.subject)[2:][::-1]
    assert (high[:, :2] == low[:, :2]).all() and (high[:, 2] > low[:, 2]).all()  # it stands: its sides are vertical


def test_a_subject_that_faces_the_lens_is_drawn_upright_all_the_same(tmp_path: Path) -> None:
    visit_at(tmp_path, TURNED)
    plan = (tmp_path / "visit.toml").read_text(encoding="utf-8")
    (tmp_path / "visit.toml").write_text(
        plan.replace('on = "north"\nsquare_on = true', 'on = "free"'), encoding="utf-8"
    )
    toml = '[[shots]]\ndistance = "arcade"\nstation = "south arcade"\nseconds = 6\n'
    showing = shot_of(plan_of(tmp_path, toml, SIZE)).showing
    corners = showing.seen(np.array(showing.subject), showing.place(1.0))
    assert corners[0, 0] == pytest.approx(corners[3, 0]) and corners[1, 0] == pytest.approx(corners[2, 0])


def test_a_section_shows_what_is_seen_large_and_not_the_height_above_it() -> None:
    low = Section(((-3.0, 6.0, 20.0), (6.0, 11.0, 6.0)), 1.6, 0.3, 0.08, (6.0, 3.5), 6.3, 5.5, 7.0, "", "")
    nave, aisle = low.outlines()
    assert nave[:, 1].max() == low.shown_to < 10 and len(nave) == 4  # its walls run on upwards
    assert len(aisle) == 5 and aisle[:, 1].max() <= low.shown_to
    up = replace(low, pitch=1.25)
    assert up.shown_to == 20 and [len(outline) for outline in up.outlines()] == [5, 5]


def test_a_card_and_a_drawing_meet_in_the_dark_and_a_drawings_words_have_no_plate(tmp_path: Path) -> None:
    visit_at(tmp_path, TURNED)
    scenes = plan_of(tmp_path, TOML.replace("[[shots]]", '[[shots]]\nchapter = "Here"', 1), SIZE).scenes
    card = next(scene for scene in scenes if scene.card and scene.card.heading == "Here")
    drawing, picture = (next(s for s in scenes if s.number == number) for number in (1, 2))
    assert words_meet(card, drawing) and words_meet(drawing, card) and words_meet(card, card)
    assert not words_meet(card, picture) and not words_meet(drawing, picture)
    frame = (drawing.showing.begin + drawing.showing.end) // 2
    bare, lettered = (drawn(drawing, [frame], SIZE, letters=letters)[0] for letters in (False, True))
    assert (lettered >= bare - 0.004).all() and (lettered > bare + 0.5).any()


def test_in_an_upright_film_words_stand_beside_a_drawing_and_none_is_called_too_small(
    tmp_path: Path,
) -> None:
    visit_at(tmp_path, TURNED)
    size = (360, 640)
    plan = plan_of(tmp_path, TOML, size)
    assert not any("shot 1" in note for note in plan.notes) and any("of 360 x 640; it is" in n for n in plan.notes)
    scene = shot_of(plan)
    frame = (scene.showing.begin + scene.showing.end) // 2
    bare, lettered = (drawn(scene, [frame], size, letters=letters)[0] for letters in (False, True))
    rows = np.flatnonzero((lettered > bare + 0.2).any(axis=1))
    top = (size[1] - size[0] * 9 / 16) / 2
    assert top < rows.min() < top + 20, rows.min()


def test_depth_of_field_lies_along_the_lens_as_the_handbook_has_it(tmp_path: Path) -> None:
    visit_at(tmp_path, TURNED)
    toml = '[[shots]]\nfocus = "arcade"\nstation = "south arcade"\nfocus_m = 2\nseconds = 6\nfact = []\n'
    notes = plan_of(tmp_path, toml + TOML, SIZE).notes
    assert any("arcade does not say its focal length and aperture" in note for note in notes)
    image = exiv2.ImageFactory.open(str(tmp_path / "pictures" / "arcade.tif"))
    image.readMetadata()
    exif = image.exifData()
    exif["Exif.Photo.FocalLength"], exif["Exif.Photo.FNumber"] = "14/1", "28/10"
    image.writeMetadata()
    scene = shot_of(plan_of(tmp_path, toml, SIZE))
    showing = scene.showing
    # Ray, Applied Photographic Optics: H = f^2 / (N c), near = H u / (H + u), far = H u / (H - u), the lens thin.
    sensor = 1200 / 760 * 14.0
    h = 14.0**2 / (2.8 * math.hypot(sensor, 0.75 * sensor) / 1500) / 1000
    assert showing.near == pytest.approx(2 * h / (h + 2), rel=0.005)
    assert showing.far == pytest.approx(2 * h / (h - 2), rel=0.01)
    assert "as noted" in showing.words()[0][1]
    lens = showing.lit(Renderer(*SIZE, 1), tmp_path)
    (luma,) = drawn(scene, [scene.frames - scene.tail - 20], SIZE, letters=False)
    for depth in (showing.near, showing.focus):  # the drawn plane crosses the axis at its depth, and squarely
        ends = showing.across(depth)
        middle = ends.mean(axis=0) - [0, showing.eye]
        assert np.hypot(*middle) == pytest.approx(depth) and abs((ends[1] - ends[0]) @ middle) < 1e-9
        x, y = lens.drawn_at(ends.mean(axis=0)[None])[0] * SIZE[0] / 960 - 0.5
        across = luma[round(y), round(x) - 4 : round(x) + 5]
        assert across[3:6].max() > across[[0, 8]].max() + 0.05
