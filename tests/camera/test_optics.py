"""Optics against published tables and worked examples."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from clerestory.camera.optics import (
    airy_disc,
    angle_of_view,
    defocus_blur,
    equivalent_focal,
    f_number_for,
    focus_between,
    focus_steps,
    front_share,
    hyperfocal,
    sharp_limits,
)


@pytest.mark.parametrize(
    ("focal", "width", "height", "diagonal"),
    # B. Claff, "Angle of View Values for Common Focal Lengths" (2006), 36 x 24 mm.
    [(10, 121.9, 100.4, 130.4), (24, 73.7, 53.1, 84.1), (50, 39.6, 27.0, 46.8), (135, 15.2, 10.2, 18.2)],
)
def test_angle_of_view_table(focal: float, width: float, height: float, diagonal: float) -> None:
    found = [angle_of_view(d, focal) for d in (36, 24, math.hypot(36, 24))]
    assert found == pytest.approx([width, height, diagonal], abs=0.06)


@pytest.mark.parametrize(
    ("focal", "near", "far"),
    # Worked example of R. Grothmann's depth-of-field functions (Euler Math Toolbox, dof): 4 m, f/8, 0.03 mm.
    [(28, 1.80512, math.inf), (35, 2.25122, 17.9225), (50, 2.90023, 6.4433), (85, 3.53967, 4.59796)],
)
def test_depth_of_field_example(focal: float, near: float, far: float) -> None:
    assert sharp_limits(4, focal, 8, 0.03) == pytest.approx((near, far), rel=1e-4)


def test_crop_factor_and_hyperfocal() -> None:
    assert equivalent_focal(12, (17.3, 13.0)) == pytest.approx(24, rel=0.001)  # crop factor 2.0, common practice
    # 50 mm at f/8, 0.03 mm: 10.5 m, sharp from half of it (Wikipedia, "Hyperfocal distance", from memory).
    h = hyperfocal(50, 8, 0.03)
    assert h == pytest.approx(10.467, abs=0.001)
    near, far = sharp_limits(h, 50, 8, 0.03)
    assert near == pytest.approx(h / 2, rel=0.001) and math.isinf(far)


def test_airy_disc_at_f8() -> None:
    assert airy_disc(8) == pytest.approx(0.0107, abs=0.0001)  # 10.7 um in green light, handbook figure from memory


def test_one_third_rule_holds_at_a_third_of_the_hyperfocal_distance_only() -> None:
    h = hyperfocal(25, 5.6, 0.015)
    assert front_share(h / 3, 25, 5.6, 0.015) == pytest.approx(1 / 3, abs=0.005)
    assert front_share(h / 30, 25, 5.6, 0.015) == pytest.approx(0.48, abs=0.01)
    assert front_share(h * 1.01, 25, 5.6, 0.015) == 0


def test_focus_between_blurs_both_ends_alike() -> None:
    s = focus_between(6, 45)
    assert defocus_blur(6, s, 25, 4) == pytest.approx(defocus_blur(45, s, 25, 4), rel=1e-9)
    n = f_number_for(6, 45, 25, 0.014)
    assert sharp_limits(s, 25, n, 0.014) == pytest.approx((6, 45), rel=0.01)


def test_focus_steps_leave_no_gap() -> None:
    steps = focus_steps(3, 40, 50, 8, 0.014)
    spans = [sharp_limits(s, 50, 8, 0.014) for s in steps]
    assert len(steps) > 3
    assert spans[0][0] == pytest.approx(3, rel=1e-6) and spans[-1][1] >= 40
    assert all(b[0] <= a[1] * (1 + 1e-6) for a, b in pairwise(spans))
