"""The sun against the published worked example, an independent ephemeris, and an almanac's rising and setting."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import skyfield_data
from skyfield import api

from clerestory.building.sun import Observer, sun_day, sun_position
from clerestory.building.windows import day_span


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


# "Rise and Set for the Sun", tables for one year by the Astronomical Applications Department of the U.S. Naval
# Observatory (https://aa.usno.navy.mil/data/RS_OneYear), times to the minute. Those for whole degrees are kept as
# pages at https://github.com/cosinekitty/astronomy/tree/master/generate/riseset (sun_2019_E000_N60.html and so on);
# the one for 36.95 N is Fredonia's, https://aa.usno.navy.mil/calculated/rstt/year?year=2023&lat=36.95&lon=-112.52&tz=7.
ALMANAC = [
    (60, 0, 0, (2019, 6, 21), "02:36", "21:28"),
    (60, 0, 0, (2019, 12, 22), "09:02", "14:55"),
    (36.95, -112.52, -7, (2023, 6, 21), "05:11", "19:53"),
    (36.95, -112.52, -7, (2023, 12, 21), "07:39", "17:17"),
    (29, -81, -5, (2019, 6, 21), "05:26", "19:26"),
    (29, -81, -5, (2019, 12, 22), "07:14", "17:31"),
    (15, 75, 5, (1750, 6, 21), "05:31", "18:32"),
    (15, 75, 5, (1750, 12, 21), "06:21", "17:36"),
    (-60, -150, -10, (2019, 6, 21), "09:06", "14:58"),
    (-60, -150, -10, (2019, 12, 22), "02:32", "21:25"),
]


@pytest.mark.parametrize(("latitude", "longitude", "zone", "day", "rise", "down"), ALMANAC)
def test_day_at_solstice_against_almanac(
    latitude: float, longitude: float, zone: int, day: tuple[int, int, int], rise: str, down: str
) -> None:
    start = utc(*day) - zone * 3600
    sun = sun_day(start, start + 86400, Observer(latitude, longitude))
    assert sun.rise is not None and sun.set is not None
    printed = [60 * int(t[:2]) + int(t[3:]) for t in (rise, down)]
    found = [(t - start) / 60 for t in (sun.rise, sun.set)]
    # Half a minute is the table's rounding, a second the program's.
    assert found == pytest.approx(printed, abs=31 / 60)
    assert sun.length / 60 == pytest.approx(printed[1] - printed[0], abs=1)


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
