"""The sun against the published worked example, an independent ephemeris, and published day lengths."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from clerestory.place.sun import Observer, sun_day, sun_position
from clerestory.place.windows import day_span


def utc(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[misc, arg-type]


def test_worked_example() -> None:
    # Reda & Andreas (2004), appendix A.5: 2003-10-17 12:30:30 at UTC-7.
    observer = Observer(39.742476, -105.1786, 1830.14, 820, 11)
    sun = sun_position(utc(2003, 10, 17, 19, 30, 30), observer, delta_t=67)
    assert float(sun.zenith) == pytest.approx(50.11162, abs=0.0003)
    assert float(sun.azimuth) == pytest.approx(194.34024, abs=0.0003)


@pytest.mark.filterwarnings("ignore:The file finals2000A")
def test_fifty_places_and_dates_against_ephemeris() -> None:
    # JPL ephemeris DE421 through skyfield, data from skyfield-data, nothing fetched.
    skyfield_data = pytest.importorskip("skyfield_data")
    api = pytest.importorskip("skyfield.api")
    load = api.Loader(skyfield_data.get_skyfield_data_path(), expire=False)
    planets, scale = load("de421.bsp"), load.timescale(builtin=False)
    rng = np.random.default_rng(7)
    for k in range(50):
        latitude = [-90.0, 0.0, 90.0][k] if k < 3 else float(rng.uniform(-89, 89))
        longitude, height = float(rng.uniform(-180, 180)), float(rng.uniform(0, 3000))
        seconds = float(rng.uniform(utc(1990, 1, 1), utc(2045, 1, 1)))
        place = planets["earth"] + api.wgs84.latlon(latitude, longitude, elevation_m=height)
        time = scale.from_datetime(datetime.fromtimestamp(seconds, UTC))
        altitude, azimuth, _ = place.at(time).observe(planets["sun"]).apparent().altaz()
        sun = sun_position(seconds, Observer(latitude, longitude, height))
        assert float(sun.altitude) == pytest.approx(altitude.degrees, abs=0.01)
        turn = (float(sun.azimuth) - azimuth.degrees + 180) % 360 - 180
        assert abs(turn) * np.cos(np.radians(altitude.degrees)) < 0.01


@pytest.mark.parametrize(
    ("latitude", "hours"),
    # Day length on 21 June 2019 at the Greenwich meridian from latitude, in sixtieths of an hour, as tabulated by
    # M. Trott (Wolfram Community 1706977, "hours of daylight on the summer solstice").
    [(0, 12.1167), (20, 13.3500), (40, 15.0167), (50, 16.3667), (55, 17.3833), (60, 18.8667), (65, 22.0333)],
)
def test_day_length_at_solstice(latitude: float, hours: float) -> None:
    start = utc(2019, 6, 21)
    assert sun_day(start, start + 86400, Observer(latitude, 0)).length / 3600 == pytest.approx(hours, abs=2 / 60)


@pytest.mark.parametrize(("latitude", "rise"), [(50, (3, 50)), (40, (4, 31)), (0, (5, 58)), (60, (2, 36))])
def test_sunrise_of_the_nautical_almanac(latitude: float, rise: tuple[int, int]) -> None:
    # Sunrise at Greenwich on 21 June, The Nautical Almanac's daily page; the four values are from memory.
    start = utc(2019, 6, 21)
    day = sun_day(start, start + 86400, Observer(latitude, 0))
    assert day.rise is not None
    assert (day.rise - start) / 60 == pytest.approx(rise[0] * 60 + rise[1], abs=2)


def test_many_times_at_once_agree_with_one_at_a_time() -> None:
    times = utc(2027, 1, 1) + np.arange(0, 365 * 86400, 997.0)
    observer = Observer(54.3, -1.2, 60)
    many, few = sun_position(times, observer), sun_position(times[::900], observer)
    assert np.allclose(many.altitude[::900], few.altitude, atol=1e-6)
    assert np.allclose(many.azimuth[::900], few.azimuth, atol=1e-5)


def test_poles_and_equator() -> None:
    june, december = utc(2027, 6, 21), utc(2027, 12, 21)
    assert sun_day(june, june + 86400, Observer(90, 0)).always_up
    assert sun_day(june, june + 86400, Observer(-90, 0)).length == 0
    assert sun_day(december, december + 86400, Observer(-90, 0)).always_up
    equinox = utc(2027, 3, 20)
    day = sun_day(equinox, equinox + 86400, Observer(0, 0))
    assert day.noon_altitude == pytest.approx(90, abs=0.3)
    assert day.rise is not None and day.set is not None and day.rise < day.noon < day.set


def test_days_of_summer_time() -> None:
    zone = ZoneInfo("Europe/Paris")  # clocks change on the last Sundays of March and October (Directive 2000/84/EC)
    spring, autumn, plain = (day_span(d, zone) for d in (date(2027, 3, 28), date(2027, 10, 31), date(2027, 7, 1)))
    assert [(b - a) / 3600 for a, b in (spring, autumn, plain)] == [23, 25, 24]
