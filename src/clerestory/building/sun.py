"""Where the sun stands: the Solar Position Algorithm of Reda & Andreas (2004), NREL/TP-560-34302, over numpy arrays.

Times are UTC as seconds since 1970-01-01 (POSIX), angles degrees, azimuth clockwise from true north.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from clerestory.building import spa_terms

Array = NDArray[np.float64]

DELTA_T = 69.2  # terrestrial minus universal time, s, observed in the 2020s; one second moves the sun 0.00001 degrees
SEMI_DIAMETER = 0.26667  # degrees (Reda & Andreas, 3.14.1)
HORIZON_REFRACTION = 0.5667  # degrees at sunrise and sunset (Reda & Andreas, 3.14.1)
RISE_ALTITUDE = -(SEMI_DIAMETER + HORIZON_REFRACTION)  # of the sun's centre when its upper limb touches the horizon
_BLOCK = 8192  # times worked on together, to bound memory
_NODE = 10800.0  # seconds between the points of the splines
_MANY = 1000  # times from which splines pay


@dataclass(frozen=True)
class Observer:
    """A point on Earth: latitude and longitude in degrees (north and east positive), height in metres.

    Pressure in millibars and temperature in Celsius matter only to refraction.
    """

    latitude: float
    longitude: float
    height: float = 0.0
    pressure: float = 1010.0
    temperature: float = 10.0


@dataclass(frozen=True)
class SunPosition:
    """Topocentric sun, arrays of one shape, degrees. `altitude` is without refraction, `apparent` with it."""

    azimuth: Array
    altitude: Array
    apparent: Array

    @property
    def zenith(self) -> Array:
        """Apparent zenith angle, degrees."""
        return 90.0 - self.apparent

    @property
    def vector(self) -> Array:
        """Unit vectors (..., 3) towards the sun as seen: east, north, up."""
        return direction(self.azimuth, self.apparent)


def direction(azimuth: ArrayLike, altitude: ArrayLike) -> Array:
    """Unit vectors (..., 3) east, north, up of a compass azimuth and an altitude in degrees."""
    a, h = np.radians(np.asarray(azimuth, float)), np.radians(np.asarray(altitude, float))
    return np.stack([np.sin(a) * np.cos(h), np.cos(a) * np.cos(h), np.sin(h)], axis=-1)


@cache
def _tables() -> tuple[tuple[Array, ...], ...]:
    groups = (spa_terms.LONGITUDE, spa_terms.LATITUDE, spa_terms.RADIUS)
    return tuple(tuple(np.array(table, float) for table in group) for group in groups)


@cache
def _nutation_table() -> tuple[Array, Array]:
    table = np.array(spa_terms.NUTATION, float)
    return table[:, :5], table[:, 5:]


def _series(group: int, jme: Array) -> Array:
    """Sum of the periodic terms (equations 9 to 11), radians or astronomical units."""
    total = np.zeros_like(jme)
    for power, table in enumerate(_tables()[group]):
        terms = table[:, 0] @ np.cos(table[:, 1:2] + table[:, 2:3] * jme)
        total += terms * jme**power
    return total / 1e8


def _nutation(jce: Array) -> tuple[Array, Array]:
    """Nutation in longitude and obliquity, degrees (equations 15 to 23)."""
    powers = np.stack([np.ones_like(jce), jce, jce**2, jce**3])
    arguments = (
        np.array(
            [
                [297.85036, 445267.111480, -0.0019142, 1 / 189474],
                [357.52772, 35999.050340, -0.0001603, -1 / 300000],
                [134.96298, 477198.867398, 0.0086972, 1 / 56250],
                [93.27191, 483202.017538, -0.0036825, 1 / 327270],
                [125.04452, -1934.136261, 0.0020708, 1 / 450000],
            ]
        )
        @ powers
    )
    multiples, coefficients = _nutation_table()
    angle = np.radians(multiples @ arguments)
    a, b, c, d = (coefficients[:, k : k + 1] for k in range(4))
    longitude = np.sum((a + b * jce) * np.sin(angle), axis=0) / 36e6
    obliquity = np.sum((c + d * jce) * np.cos(angle), axis=0) / 36e6
    return longitude, obliquity


def _obliquity(jme: Array) -> Array:
    """Mean obliquity of the ecliptic, degrees (equation 24)."""
    u = jme / 10
    coefficients = [2.45, 5.79, 27.87, 7.12, -39.05, -249.67, -51.38, 1999.25, -1.55, -4680.93, 84381.448]
    return np.polyval(np.array(coefficients), u) / 3600


@dataclass(frozen=True)
class _Geocentric:
    """Apparent right ascension and equation of the equinoxes in degrees, declination and parallax in radians."""

    ascension: Array
    declination: Array
    equinoxes: Array
    parallax: Array


def _geocentric(seconds: Array, delta_t: float) -> _Geocentric:
    jd = seconds / 86400 + 2440587.5
    jce = (jd + delta_t / 86400 - 2451545) / 36525
    jme = jce / 10
    radius = _series(2, jme)
    beta = -_series(1, jme)
    nutation, nutation_obliquity = _nutation(jce)
    epsilon = np.radians(_obliquity(jme) + nutation_obliquity)
    aberration = -20.4898 / (3600 * radius)
    apparent = np.radians(np.degrees(_series(0, jme)) + 180 + nutation + aberration)
    sin_l = np.sin(apparent)
    return _Geocentric(
        np.degrees(np.arctan2(sin_l * np.cos(epsilon) - np.tan(beta) * np.sin(epsilon), np.cos(apparent))),
        np.arcsin(np.sin(beta) * np.cos(epsilon) + np.cos(beta) * np.sin(epsilon) * sin_l),
        nutation * np.cos(epsilon),
        np.radians(8.794 / (3600 * radius)),
    )


def _geocentric_densely(seconds: Array, delta_t: float) -> _Geocentric:
    """`_geocentric` for many times close together: worked out every three hours, with cubic splines between.

    The fastest term kept by the algorithm has a period of days, so the splines follow it to 1e-7 degrees.
    """
    nodes = np.arange(seconds.min() - 3 * _NODE, seconds.max() + 4 * _NODE, _NODE)
    at = _geocentric(nodes, delta_t)
    turned = np.unwrap(at.ascension, period=360)
    table = CubicSpline(nodes, np.stack([turned, at.declination, at.equinoxes, at.parallax]), axis=1)(seconds)
    return _Geocentric(*table)


def _sidereal(seconds: Array) -> Array:
    """Mean sidereal time at Greenwich, degrees (equation 28)."""
    days = seconds / 86400 + 2440587.5 - 2451545
    jc = days / 36525
    return 280.46061837 + 360.98564736629 * days + jc**2 * (0.000387933 - jc / 38710000)


def refraction(altitude: Array, pressure: float, temperature: float) -> Array:
    """Atmospheric refraction (...), degrees, at true altitudes (...), degrees (Reda & Andreas 2004, equation 42).

    `pressure` in millibars, `temperature` in Celsius. None when the sun is wholly below the horizon.
    """
    h = np.maximum(altitude, -2.0)
    bend = pressure / 1010 * 283 / (273 + temperature) * 1.02 / (60 * np.tan(np.radians(h + 10.3 / (h + 5.11))))
    out: Array = np.where(altitude >= RISE_ALTITUDE, bend, 0.0)
    return out


def _topocentric(seconds: Array, observer: Observer, delta_t: float) -> tuple[Array, Array]:
    dense = seconds.size > _MANY and np.ptp(seconds) / seconds.size < _NODE / 4
    g = _geocentric_densely(seconds, delta_t) if dense else _geocentric(seconds, delta_t)
    phi = np.radians(observer.latitude)
    hour = np.radians(_sidereal(seconds) + g.equinoxes + observer.longitude - g.ascension)
    u = np.arctan(0.99664719 * np.tan(phi))
    x = np.cos(u) + observer.height / 6378140 * np.cos(phi)
    y = 0.99664719 * np.sin(u) + observer.height / 6378140 * np.sin(phi)
    sin_p = np.sin(g.parallax)
    denominator = np.cos(g.declination) - x * sin_p * np.cos(hour)
    shift = np.arctan2(-x * sin_p * np.sin(hour), denominator)
    delta = np.arctan2((np.sin(g.declination) - y * sin_p) * np.cos(shift), denominator)
    h = hour - shift
    altitude = np.arcsin(np.clip(np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(h), -1, 1))
    azimuth = np.arctan2(np.sin(h), np.cos(h) * np.sin(phi) - np.tan(delta) * np.cos(phi))
    return (np.degrees(azimuth) + 180) % 360, np.degrees(altitude)


def sun_position(seconds: ArrayLike, observer: Observer, delta_t: float = DELTA_T) -> SunPosition:
    """The sun at UTC `seconds` (...) since 1970 as `observer` sees it: angles (...), degrees (Reda & Andreas 2004).

    `delta_t`: terrestrial minus universal time, seconds. Within 0.0003 degrees in the years -2000 to 6000, by
    that report's own account (from memory).
    """
    times = np.asarray(seconds, float)
    flat = times.reshape(-1)
    azimuth, altitude = np.empty_like(flat), np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        azimuth[part], altitude[part] = _topocentric(flat[part], observer, delta_t)
    azimuth, altitude = azimuth.reshape(times.shape), altitude.reshape(times.shape)
    bend = refraction(altitude, observer.pressure, observer.temperature)
    return SunPosition(azimuth, altitude, altitude + bend)


def crossings(seconds: Array, values: Array) -> tuple[list[float], list[float]]:
    """Times at which `values` (n,) at `seconds` (n,) rises and falls through zero, straight in between."""
    sign = values > 0
    change = np.flatnonzero(sign[1:] != sign[:-1])
    before, after = values[change], values[change + 1]
    at = seconds[change] + (seconds[change + 1] - seconds[change]) * (before / (before - after))
    return [float(t) for t in at[~sign[change]]], [float(t) for t in at[sign[change]]]


@dataclass(frozen=True)
class SunDay:
    """Sunrise, highest point and sunset between two moments, UTC seconds; None when the sun does not rise or set."""

    rise: float | None
    noon: float
    set: float | None
    noon_altitude: float
    always_up: bool
    length: float


def sun_day(start: float, end: float, observer: Observer) -> SunDay:
    """The sun's day between UTC seconds `start` and `end` (local midnights): to about a second.

    Rise and set are of the upper limb on a level horizon with standard refraction (altitude -0.8333 degrees).
    """
    times = np.arange(start, end + 60, 120.0)
    altitude = sun_position(times, observer).altitude
    above = altitude - RISE_ALTITUDE
    rises, sets = crossings(times, above)
    top = int(np.clip(np.argmax(altitude), 1, len(times) - 2))
    low, mid, high = altitude[top - 1 : top + 2]
    bend = low - 2 * mid + high
    noon = float(times[top] + (60.0 * (low - high) / bend if bend else 0.0))
    up = [0.0] + [float(t - start) for t in sorted(rises + sets)] + [float(times[-1] - start)]
    first = bool(above[0] > 0)
    length = sum(b - a for k, (a, b) in enumerate(pairwise(up)) if (k % 2 == 0) == first)
    rise, down = (rises[0] if rises else None), (sets[-1] if sets else None)
    return SunDay(rise, noon, down, float(altitude.max()), bool((above > 0).all()), length)
