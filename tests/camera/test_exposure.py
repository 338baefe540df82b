"""Exposure against ISO 2720 and the customs of the trade."""

from __future__ import annotations

import pytest

from clerestory.camera.exposure import (
    METERED_FRACTION,
    exposure_value,
    f_label,
    f_stop,
    iso_label,
    metered_time,
    raw_fraction,
    spot_luminance,
    third_stop,
    time_for,
    time_label,
)


def test_values_of_the_ev_table() -> None:
    # ISO 2720, whose K may be 10.6 to 13.4, with K = 12.5 (common practice, no source): EV 15 at ISO 100 is 4096
    # cd/m2; f/16 at 1/125 is EV 15 ("sunny 16", common practice, no source).
    assert exposure_value(16, 1 / 128) == pytest.approx(15)
    assert spot_luminance(16, 1 / 128, 100) == pytest.approx(4096)
    assert metered_time(4096, 16, 100) == pytest.approx(1 / 128)


def test_doubling_iso_halves_the_time() -> None:
    assert metered_time(5, 4, 800) == pytest.approx(metered_time(5, 4, 400) / 2)


def test_metered_surface_is_placed_where_the_meter_says() -> None:
    t = metered_time(5, 4, 400)
    assert raw_fraction(5, 4, t, 400) == pytest.approx(METERED_FRACTION)
    assert raw_fraction(5, 4, time_for(0.3, 5, 4, 400), 400) == pytest.approx(0.3)


def test_marks() -> None:
    assert third_stop(1 / 50) == pytest.approx(1 / 50.8, rel=0.01)
    assert f_stop(2.9) == pytest.approx(3.17, rel=0.01)
    assert [time_label(t) for t in (1 / 64, 1 / 101.6, 0.5, 2.0)] == ["1/60", "1/100", "0.5 s", "2 s"]
    # A third-stop series from 1/6 to 4 s, as cameras mark it (common practice, no source).
    marks = ["1/6", "1/5", "1/4", "0.3 s", "0.4 s", "0.5 s", "0.6 s", "0.8 s", "1 s", "1.3 s", "1.6 s"]
    assert [time_label(2 ** (k / 3)) for k in range(-8, 3)] == marks
    slow_and_quick = [time_label(t) for t in (3.175, 1 / 3, 30.0, 61.0, 1 / 8063)]
    assert slow_and_quick == ["3.2 s", "0.3 s", "30 s", "61 s", "1/8000"]
    assert [f_label(n) for n in (5.657, 2.8, 8.0, 3.1748)] == ["f/5.6", "f/2.8", "f/8", "f/3.2"]
    assert [iso_label(s) for s in (100, 806.3, 3200, 1015.9)] == ["100", "800", "3200", "1000"]
    speeds = ["1000", "1250", "1600", "2000", "2500", "3200", "4000", "5000", "6400"]  # common practice, no source
    assert [iso_label(100 * 2 ** (k / 3)) for k in range(10, 19)] == speeds
    assert [iso_label(s) for s in (102400, 20480)] == ["102400", "20000"]
