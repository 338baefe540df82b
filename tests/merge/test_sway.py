"""Hands that sway before near things: where they stood, how far things are, what hides what, and whole figures.

The truth is the modelled hall's own geometry; planes' disparity is K t / distance (pinhole geometry, Hartley and
Zisserman 2004, section 9.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
import pytest

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.camera.pose import Pose
from clerestory.merge.agree import BlockNoise
from clerestory.merge.align import guide_of_greens
from clerestory.merge.bracket import Step, merge_bracket
from clerestory.merge.burst import merge_burst
from clerestory.merge.choice import choose
from clerestory.merge.clear import merge_clear
from clerestory.merge.depth import depth_of, hidden, planes_of
from clerestory.merge.labels import labelled
from clerestory.merge.lay import cells_laid, evened, laying_of
from clerestory.merge.somebody import of_nobody
from clerestory.merge.standpoint import stands_of
from clerestory.raw.read import Mosaic
from clerestory.simulate.hall import EYES, Guest, Hall, people_of, stone

CAMERA = Camera.centred(480, 360, 333.0)
CAMERA_SHAPE = (360, 480)
# Of the first frame, metres and radians: hands sway by up to 15 cm.
POSES = (
    Pose(0.0, 0.03, 0.0, (0.0, 0.0, EYES)),
    Pose(0.02, 0.04, 0.02, (0.09, 0.0, EYES + 0.03)),
    Pose(-0.02, 0.02, -0.01, (-0.08, 0.02, EYES - 0.04)),
    Pose(0.01, 0.02, 0.01, (0.05, -0.02, EYES + 0.05)),
)
DRIFT = (1.0, 1.12, 0.9, 1.05)


@dataclass
class Views:
    """The hall's frames (H x W x 3, white at 1), distances of the first one (H x W, metres), and the hall."""

    pictures: list
    far: np.ndarray
    hall: Hall


@pytest.fixture(scope="module")
def views() -> Views:
    patch = pytest.MonkeyPatch()
    patch.setattr(Hall, "_far", lambda _, rng: stone(rng, (1040, 1120), 60))
    hall = Hall(4, near=3)
    seen = [hall.render(CAMERA, pose) for pose in POSES]
    patch.undo()
    pictures = [(s.radiance / 120.0 * g).astype(np.float32) for s, g in zip(seen, DRIFT, strict=True)]
    return Views(pictures, seen[0].depth, hall)


def test_standpoints_lie_as_the_hands_went(views):
    found = stands_of(views.pictures, CAMERA)
    first = POSES[0]
    went = np.array([first.rotation @ (np.array(p.position) - np.array(first.position)) for p in POSES[1:]])
    # A ray's place in the other frame moves against the camera: step = -R (C' - C), to one common scale.
    for stand, pose, way in zip(found.frames, POSES[1:], went, strict=True):
        assert stand is not None
        turn = pose.rotation @ first.rotation.T
        off = np.degrees(np.arccos(np.clip((np.trace(stand.rotation @ turn.T) - 1) / 2, -1, 1)))
        assert off < 0.3
        truth = -turn @ way
        along = stand.step @ truth / np.linalg.norm(stand.step) / np.linalg.norm(truth)
        assert along > 0.95
    assert np.allclose([s.gain[1] for s in found.frames], DRIFT[1:], rtol=0.03)


def test_distances_are_the_halls_own(views):
    stands = stands_of(views.pictures, CAMERA)
    found = depth_of(views.pictures, stands, CAMERA)
    assert len(found.planes) > 8
    truth = cv2.resize(1 / views.far, found.near.shape[::-1], interpolation=cv2.INTER_AREA)
    inside = (slice(20, -20), slice(40, -40))
    a, b = found.near[inside].ravel(), truth[inside].ravel()
    scale = float((a * b).sum() / (a * a).sum())  # distances come in units of the movement
    assert np.mean(np.abs(a * scale - b) < 0.1 * b + 0.02) > 0.85


def test_a_camera_that_only_turned_finds_no_depth(views):
    turned = [views.hall.render(CAMERA, Pose(p.yaw, p.pitch, p.roll, POSES[0].position)) for p in POSES[:3]]
    pictures = [(t.radiance / 120.0).astype(np.float32) for t in turned]
    assert len(planes_of(stands_of(pictures, CAMERA), CAMERA)) == 1


def test_what_a_near_pillar_hides_is_told():
    near = np.full((60, 80), 0.1, np.float32)
    near[:, 30:40] = 1.0
    x, y = np.meshgrid(np.arange(80, dtype=np.float32), np.arange(60, dtype=np.float32))
    at = np.stack([x + 8 * near, y], axis=-1)  # eight pixels at distance 1
    found = hidden(at, near, np.linspace(0, 1, 20))
    assert found[10:-10, 41:46].all()  # the far wall right of the pillar, which it moved over
    assert not found[10:-10, :28].any()
    assert not found[10:-10, 31:39].any()
    assert not found[10:-10, 50:].any()


def test_frames_lie_near_and_far_and_in_one_light(views):
    laying = laying_of(views.pictures, CAMERA)
    assert laying.deep

    def guide(picture):
        return guide_of_greens(cv2.resize(picture[..., 1], (240, 180), interpolation=cv2.INTER_AREA), 1e-5, 1e-7)

    motion = laying.motion(0, guide(views.pictures[0]), guide(views.pictures[1]), CAMERA)
    cells, seen = cells_laid(views.pictures[1], motion, 1, CAMERA_SHAPE)
    seen &= ~laying.hidden(0, 1, CAMERA)
    out, _ = evened(cells, seen, views.pictures[0], motion, 1, CAMERA_SHAPE)
    off = np.abs(out - views.pictures[0]).mean(axis=-1)[seen]
    was = np.abs(views.pictures[1] - views.pictures[0]).mean(axis=-1)[seen]
    level = views.pictures[0].mean()
    assert np.median(off) < 0.03 * level
    assert off.mean() < 0.35 * was.mean()


def test_a_figure_of_uneven_evidence_comes_in_or_goes_out_whole():
    support = np.full((2, 60, 60), 2.0, np.float32)
    figure = np.zeros((60, 60), bool)
    figure[20:50, 25:37] = True
    support[0][figure], support[1][figure] = 1.0, 3.0
    support[0][40:50, 25:37] = 2.5  # its legs look like the floor by chance
    support[1][40:50, 25:37] = 2.0
    pairs = np.ones((2, 2, 60, 60), np.float32)
    pairs[0, 1][figure] = pairs[1, 0][figure] = 0.0
    found = labelled(support, pairs, np.ones((2, 60, 60), bool), np.zeros((2, 60, 60), np.float32), 1)
    assert (found[figure] == 1).all()
    assert (found[:15] == 0).all()


def _put_together(pictures, *, noise=1e-5):
    """What clearing takes of frames (H x W x 3, laid on one another, hands moved), and from which."""
    seen = [np.ones(p.shape[:2], bool) for p in pictures]
    model = BlockNoise(np.full(3, noise, np.float32), np.full(3, noise, np.float32))
    chosen = choose(list(pictures), seen, model, 2, deep=True)
    taken = np.where(chosen.reference_is_stone, 0, chosen.label)
    return np.take_along_axis(np.stack(pictures), taken[None, ..., None].astype(np.intp), axis=0)[0], taken


def _tiled(shape=(160, 200)):
    y, x = np.mgrid[: shape[0], : shape[1]]
    tone = np.where((y // 16 + (x + y // 3) // 20) % 2, 0.5, 0.22)
    rng = np.random.default_rng(3)
    return np.repeat((tone * (1 + 0.02 * rng.standard_normal(shape)))[..., None], 3, axis=-1).astype(np.float32)


def test_one_who_sways_for_half_of_the_frames_goes_with_his_shadow():
    floor, frames = _tiled(), []
    for k in range(6):
        shot = floor.copy()
        if k > 2:
            x = 90 + (0, 2, 5)[k - 3]
            shade = np.zeros(floor.shape[:2], np.float32)
            cv2.ellipse(shade, (x + 40, 128), (44, 14), 0, 0, 360, 0.45, -1)
            shot *= 1 - cv2.GaussianBlur(shade, (0, 0), 2)[..., None]
            for side in (0, 12):
                cv2.rectangle(shot, (x + side, 30), (x + side + 8, 132), (0.05, 0.05, 0.07), -1)
        frames.append(shot)
    got, _ = _put_together(frames)
    assert (np.abs(got - floor).max(axis=-1) > 0.08).mean() < 0.001


def test_one_frame_by_itself_does_not_cover_a_niche_that_the_others_show():
    wall = np.full((120, 160, 3), 0.5, np.float32)
    wall += 0.01 * np.random.default_rng(1).standard_normal(wall.shape).astype(np.float32)
    niche = wall.copy()
    niche[40:80, 60:90] *= 0.3
    got, _ = _put_together([niche, niche * 1.001, wall])  # somebody in white before it
    assert np.abs(got - niche).max() < 0.05


def test_an_edge_that_lies_ill_in_the_other_frames_stays_as_it_is():
    shot = np.full((120, 160, 3), 0.5, np.float32)
    ill = shot.copy()
    shot[:, 80:], ill[:, 79:] = 0.1, 0.1
    _, taken = _put_together([shot, ill, ill, ill])
    assert not taken.any()


def test_a_place_that_lies_a_little_aside_in_the_other_frames_stays_as_it_is():
    floor, frames = _tiled(), []
    for k in range(4):
        shot = floor.copy()
        if k:
            shot[:, 150:] = np.roll(floor, (7, 7, 4)[k - 1], axis=0)[:, 150:]
        frames.append(shot)
    _, taken = _put_together(frames)
    assert (taken > 0).mean() < 0.01


def _rough(shape, seed):
    grain = cv2.GaussianBlur(np.random.default_rng(seed).standard_normal(shape).astype(np.float32), (0, 0), 1.5)
    return np.repeat((0.5 * np.exp(0.25 * grain / grain.std()))[..., None], 3, axis=-1).astype(np.float32)


def test_a_small_place_whose_outline_is_not_in_the_first_picture_is_nobodys():
    """A piece of pillar that lies ill in the others, beside the pillar's edge; and one who stands there."""
    wall = _rough((300, 400), 1)
    wall[:, :200] *= 0.4
    place, label = np.zeros((300, 400), bool), np.ones((300, 400), np.int16)
    place[100:130, 200:214] = True
    ill, guest = wall.copy(), wall.copy()
    ill[place], guest[place] = 0.4 * _rough((300, 400), 2)[place], 0.9
    votes = np.full((300, 400), 2, np.float32)
    assert of_nobody(place, [wall, ill], label, votes)[place].all()
    assert not of_nobody(place, [guest, wall], label, votes).any()


def test_who_stands_where_no_two_other_frames_agree_goes_whole():
    """The floor behind a table's edge lies otherwise in every frame; the legs that end there go with the rest."""
    floor = _tiled((300, 400))
    frames = [floor.copy() for _ in range(4)]
    for k, shot in enumerate(frames[1:]):
        shot[200:220] = _rough((20, 400), 10 + k) * (0.7, 1.0, 1.4)[k]
    frames[0][60:220, 180:210] = (0.5, 0.48, 0.2)
    _, taken = _put_together(frames)
    assert (taken[60:220, 180:210] > 0).all()


def test_of_two_answers_the_one_in_shadow_is_not_the_stones():
    floor = _tiled()
    shade = np.zeros(floor.shape[:2], np.float32)
    cv2.ellipse(shade, (100, 90), (50, 16), 0, 0, 360, 0.3, -1)
    dark = floor * (1 - cv2.GaussianBlur(shade, (0, 0), 6)[..., None])
    for frames in ([floor, floor, dark, dark], [dark, dark, floor, floor]):
        got, _ = _put_together([f.copy() for f in frames])
        assert (np.abs(got / floor - 1).max(axis=-1) > 0.15).mean() < 0.002


def _mosaics(views, crowds, exposures=(1.0,) * 4):
    """Raw frames of the hall with guests, twelve bits, and the first with nobody in it, without noise."""
    noise = NoiseModel((1.2,) * 4, (2.3,) * 4)
    out = []
    for k, (pose, crowd, exposure) in enumerate(zip(POSES, crowds, exposures, strict=True)):
        hall = Hall(4, 3, pieces=people_of(crowd, k, 3))
        hall.__dict__["walls"] = views.hall.walls
        light = hall.render(CAMERA, pose).radiance / 120.0 * 0.35 * DRIFT[k] * exposure
        out.append(_raw(light, noise, k))
    hall = Hall(4, 3)
    hall.__dict__["walls"] = views.hall.walls
    return out, _raw(hall.render(CAMERA, POSES[0]).radiance / 120.0 * 0.35, None, 0), noise


def _raw(light, noise, seed):
    """RGGB, black 256, white 4095."""
    signal = np.empty(light.shape[:2])
    for r, c, plane in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        signal[r::2, c::2] = light[r::2, c::2, plane] * 3839
    if noise is not None:
        rng = np.random.default_rng(seed)
        signal = rng.poisson(np.maximum(signal, 0) / 1.2) * 1.2 + rng.normal(0, 2.3, signal.shape)
    raw = np.clip(np.rint(signal + 256), 0, 4095).astype(np.uint16)
    flat = np.full(4, 256.0), np.full(4, 4095.0)
    return Mosaic(raw, np.array([[0, 1], [3, 2]], np.int8), *flat, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0), None)


def _blocks(mosaic):
    """Means of 4 x 4 pixels, white at 1."""
    light = (mosaic.raw.astype(float) - mosaic.black[0]) / (mosaic.white[0] - mosaic.black[0])
    return light.reshape(90, 4, 120, 4).mean(axis=(1, 3))


WALKS = tuple((Guest(-1.6 + 1.0 * k, 4.5, "lingers", k, k, 0.0, 1.7, 7),) for k in range(4))


def test_who_walks_among_pillars_before_swaying_hands_is_gone(views):
    mosaics, empty, noise = _mosaics(views, WALKS)
    reads = [partial(lambda m: m, m) for m in mosaics[1:]]
    done = merge_clear(mosaics[0], reads, noise, CAMERA, lambda _: None)
    truth = _blocks(empty)
    was, left = np.abs(_blocks(mosaics[0]) - truth), np.abs(_blocks(done.mosaic) - truth)
    visitor = was > 0.06
    assert visitor.sum() > 20
    assert (left[visitor] < 0.3 * was[visitor]).mean() > 0.9
    assert (left > 0.06).mean() < 0.25 * visitor.mean() + 0.01


def test_a_burst_by_swaying_hands_has_less_noise_and_no_ghost(views):
    mosaics, _, noise = _mosaics(views, WALKS)
    reads = [partial(lambda m: m, m) for m in mosaics[1:]]
    done = merge_burst(mosaics[0], reads, noise, CAMERA, lambda _: None)
    assert len(done.taken) == 3
    assert done.record["frames_behind_a_place"] >= 2
    off = np.abs(_blocks(done.mosaic) - _blocks(mosaics[0]))
    assert (off > 0.05).mean() < 0.004


def test_a_bracket_by_swaying_hands_keeps_its_near_things_single(views):
    exposures = (1.0, 0.25, 2.0, 1.0)
    mosaics, empty, noise = _mosaics(views, ((),) * 4, exposures)
    steps = [Step(partial(lambda m: m, m), e, noise) for m, e in zip(mosaics[1:3], exposures[1:3], strict=True)]
    done = merge_bracket(mosaics[0], steps, noise, CAMERA, lambda _: None)
    assert len(done.taken) == 2
    got, truth = _blocks(done.mosaic), _blocks(empty)
    got = got * float(np.median(truth) / np.median(got))
    assert (np.abs(got - truth) > 0.05).mean() < 0.01


def test_a_sliver_that_two_frames_hide_does_not_put_a_visitor_in():
    """Three frames: the first and the second show each another visitor, and the third, which alone shows stone,
    hides a strip of a part's cells behind an error of distance."""
    pairs = np.zeros((3, 3, 12, 12), np.float32)
    for k in range(3):
        pairs[k, k] = 1
    support = np.stack([np.full((12, 12), v, np.float32) for v in (-5.0, -5.0, 2.0)])
    shown = np.ones((3, 12, 12), bool)
    shown[2, 3:6, 5] = False
    label = labelled(support, pairs, shown, np.zeros_like(support), 3)
    assert np.all(label == 2)
    shown[2, 3:6, 3:6] = False  # what it does not show at all it cannot stand for
    assert np.all(labelled(support, pairs, shown, np.zeros_like(support), 3)[3:6, 3:6] != 2)
