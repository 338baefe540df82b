"""Light and steadiness of planned views."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from visits import example

from clerestory.camera.exposure import METERED_FRACTION, raw_fraction
from clerestory.camera.optics import defocus_blur
from clerestory.camera.steadiness import Hands
from clerestory.plan.exposure import focus_for, luminance, settings_for
from clerestory.plan.model import NoiseTable, Spot
from clerestory.plan.reckoning import Plan, ViewPlan, compute
from clerestory.plan.words import focus_line, metres, noise_note, standing

HANDS = Hands()


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compute(example())


def again(view: ViewPlan, **changes: object) -> ViewPlan:
    """The same framing with the view's wishes changed."""
    table = view.view.model_copy(update=changes)
    aimed = replace(view.aim, view=table)
    focus = focus_for(aimed, view.framing, view.body, view.lens)
    return replace(
        view,
        view=table,
        aim=aimed,
        focus=focus,
        settings=settings_for(aimed, view.framing, focus, view.body, view.lens, HANDS),
    )


def test_wanted_depth_is_within_the_blur_allowed(plan: Plan) -> None:
    for v in plan.views:
        near, far = v.focus.wanted
        assert v.focus.near <= near * 1.001 and v.focus.far >= far * 0.999, v.view.name
        for depth in (near, far):
            blur = defocus_blur(depth, v.focus.distance, v.framing.focal, v.focus.f_number)
            assert blur * v.framing.enlarged <= v.body.coc_mm * 1.001


def test_straightening_counts_in_the_depth_of_field(plan: Plan) -> None:
    v = plan.view("sun on the north arcade")
    assert v.framing.enlarged > 1.15
    assert v.focus.blur == pytest.approx(v.body.coc_mm / v.framing.enlarged)


def test_depth_beyond_one_frame_becomes_a_focus_series(plan: Plan) -> None:
    v = again(plan.view("angel boss"), sharp_from_m=5.0, sharp_to_m=40.0)
    assert len(v.focus.steps) > 1
    assert not v.focus.soft and not v.focus.short
    assert v.focus.near <= 5.0 and v.focus.far >= 40.0 and "short of" not in focus_line(v)


def test_a_focus_series_that_ends_short_says_so(plan: Plan) -> None:
    v = again(plan.view("angel boss"), sharp_from_m=1.0, sharp_to_m=40.0)
    assert len(v.focus.steps) == 20 and v.focus.short and v.focus.far < 40
    assert f"to {metres(v.focus.far)}, short of the 40 m asked for" in focus_line(v)


def test_glass_is_held_below_saturation_by_the_stops_said(plan: Plan) -> None:
    v = plan.view("nave to the altar")
    assert v.settings.glass is not None and 0.7 < v.settings.glass <= 0.9001
    assert math.log2(METERED_FRACTION / v.settings.stone) == pytest.approx(v.settings.held, abs=0.34)
    assert not v.settings.clips
    free = again(v, glass="let go")
    assert free.settings.clips and free.settings.held == 0
    assert free.settings.snr_one > v.settings.snr_one


def test_bracket_reaches_the_glass_in_steps_of_two_stops_at_most(plan: Plan) -> None:
    v = plan.view("west rose")
    stops = v.settings.bracket
    assert stops[0] == 0 and v.settings.glass is not None and v.settings.glass * 2 ** stops[-1] <= 1
    assert max(a - b for a, b in pairwise(stops)) <= 2.01


def test_darker_stone_wants_more_iso_and_never_beyond_the_body(plan: Plan) -> None:
    v = plan.view("quire stalls")
    isos = [again(v, stone_cd_m2=s).settings.iso for s in (2.0, 0.5, 0.1, 0.005)]
    assert isos == sorted(isos) and isos[-1] <= v.body.max_iso * 1.01
    assert again(v, stone_cd_m2=0.005).settings.take is None
    assert again(v, stone_cd_m2=0.005).settings.chance < again(v, stone_cd_m2=0.5).settings.chance


def test_spot_reading_stands_for_its_luminance() -> None:
    assert luminance(Spot(f_number=4, seconds=1 / 16, iso=800)) == pytest.approx(4.0)


def test_noise_is_that_of_counted_electrons(plan: Plan) -> None:
    v = plan.view("angel boss")
    s, body = v.settings, v.body
    rng = np.random.default_rng(5)
    share = raw_fraction(luminance(v.view.stone_cd_m2), v.focus.f_number, s.seconds, s.iso)
    electrons = share * body.full_well * body.base_iso / s.iso
    drawn = rng.poisson(electrons, 200_000) + rng.normal(0, body.read_noise_e, 200_000)
    assert s.snr_one == pytest.approx(drawn.mean() / drawn.std(), rel=0.01)
    merged = drawn.reshape(s.merge, -1).mean(axis=0)
    assert s.snr == pytest.approx(merged.mean() / merged.std(), rel=0.01)


def test_where_noise_comes_from_is_said(plan: Plan) -> None:
    """Assumed, as the visit file has it, or as measured at the nearest ISO."""
    view = plan.view("quire stalls")
    assert noise_note(view).startswith("Noise assumed: 26080 electrons at saturation at ISO 200, 3.0 of read noise")
    given = view.body.model_validate(view.body.model_dump(exclude_unset=True) | {"full_well_e": 25500})
    assert noise_note(replace(view, body=given)).startswith("Noise in part assumed: 25500 ")
    given = given.model_validate(given.model_dump(exclude_unset=True) | {"read_noise_e": 1.7})
    assert noise_note(replace(view, body=given)).startswith("Noise as visit.toml has it: 25500 ")
    four = (1.0, 1.0, 1.0, 1.0)
    tables = tuple(NoiseTable(iso=iso, range=4000, gain=four, read=four) for iso in (100, 250, 6400))
    measured = view.body.model_copy(update={"noise_at": tables})
    assert view.settings.iso == 200 and noise_note(replace(view, body=measured)) == "Noise as measured at ISO 250."


def test_a_point_named_by_where_it_lies_needs_no_at(plan: Plan) -> None:
    view = plan.view("quire stalls")
    named = {n: standing(plan, replace(view, framing=replace(view.framing, station=n))) for n in
             ("crossing", "south aisle", "before the quire", "Under the tower", "belfry")}  # fmt: skip
    assert list(named.values()) == ["at the crossing", "in the south aisle", "before the quire", "Under the tower",
                                    "at the belfry"]  # fmt: skip
