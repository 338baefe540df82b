"""Exposure: meter and sensor equations. Luminance in cd/m2, time in seconds."""

from __future__ import annotations

import math

# Reflected-light meter constant, cd s / m2. ISO 2720 gives a range, 10.6 to 13.4 (from memory), whose ends are a
# third of a stop apart; 12.5 is what most makers of meters take (common practice, no source).
METER_K = 12.5
LENS_Q = 0.65  # lens transmittance, vignetting and angle together (ISO 12232, from memory)
SATURATION = 78.0  # saturation-based speed S = 78 / H_sat (ISO 12232, from memory)


def exposure_value(f_number: float, seconds: float) -> float:
    """EV = log2(N^2 / t)."""
    return math.log2(f_number**2 / seconds)


def metered_time(luminance: float, f_number: float, iso: float) -> float:
    """Shutter time in seconds a reflected-light meter gives: t = K N^2 / (L S) (ISO 2720; K: see METER_K)."""
    return METER_K * f_number**2 / (luminance * iso)


def focal_plane_exposure(luminance: float, f_number: float, seconds: float) -> float:
    """H = q L t / N^2 in lux seconds (ISO 12232)."""
    return LENS_Q * luminance * seconds / f_number**2


def raw_fraction(luminance: float, f_number: float, seconds: float, iso: float) -> float:
    """Raw signal as a share of saturation for a neutral surface, before clipping (ISO 12232, S = 78 / H_sat)."""
    return focal_plane_exposure(luminance, f_number, seconds) * iso / SATURATION


def luminance_of(fraction: float, f_number: float, seconds: float, iso: float) -> float:
    """Luminance in cd/m2 of a neutral surface at `fraction` of raw saturation: `raw_fraction` undone."""
    return fraction / raw_fraction(1.0, f_number, seconds, iso)


def spot_luminance(f_number: float, seconds: float, iso: float) -> float:
    """Luminance in cd/m2 where a spot meter proposed these settings: L = K N^2 / (t S) (ISO 2720; K: see METER_K)."""
    return METER_K * f_number**2 / (seconds * iso)


def time_for(fraction: float, luminance: float, f_number: float, iso: float) -> float:
    """Shutter time in seconds that places a surface at `fraction` of raw saturation: `raw_fraction` undone."""
    return fraction * SATURATION * f_number**2 / (LENS_Q * luminance * iso)


METERED_FRACTION = LENS_Q * METER_K / SATURATION  # where a meter's proposal places what it metered: about 0.104


def third_stop(value: float, up: bool = False) -> float:
    """The third-of-a-stop step (of a doubling quantity) at or below `value`, or at or above it."""
    thirds = math.log2(value) * 3
    return 2.0 ** ((math.ceil(thirds - 1e-6) if up else math.floor(thirds + 1e-6)) / 3)


def f_stop(value: float) -> float:
    """The third-of-a-stop f-number at or above `value` (N doubles every two stops)."""
    return 2.0 ** (math.ceil(math.log2(value) * 6 - 1e-6) / 6)


# Marks as engraved, a third of a stop apart (common practice, no source).
_F_WIDE = (1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6)
_F_MARKS = (*_F_WIDE, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22)
_T_SLOW = (0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.3, 1.6, 2, 2.5, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30)  # seconds
_T_QUICK = (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800)
_T_QUICKER = (1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12500, 16000, 20000, 25000, 32000)
_T_MARKS = tuple((t, f"{t:g} s") for t in _T_SLOW) + tuple((1 / n, f"1/{n}") for n in _T_QUICK + _T_QUICKER)
_ISO_LOW = (25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500)
_ISO_MARKS = (*_ISO_LOW, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600, 32000, 40000, 51200)


def f_label(f_number: float) -> str:
    """The engraved f-number nearest to an exact one: 5.657 is "f/5.6" (ISO 517 series)."""
    nearest = min(_F_MARKS, key=lambda mark: abs(math.log2(mark / f_number)))
    return f"f/{nearest:g}" if abs(math.log2(nearest / f_number)) < 0.13 else f"f/{f_number:.1f}"


def time_label(seconds: float) -> str:
    """The shutter time a camera marks nearest to an exact one: 0.0156 is "1/60", 0.315 "0.3 s", 1.587 "1.6 s".

    Fractions from 1/4 on, seconds with a tenth above it (common practice, no source); past 30 s, where cameras
    have no more marks, whole seconds.
    """
    if seconds > 33:
        return f"{seconds:.0f} s"
    return min(_T_MARKS, key=lambda mark: abs(math.log2(mark[0] / seconds)))[1]


def iso_label(iso: float) -> str:
    """The marked speed nearest to an exact one: 806 is "800", 1270 "1250"; past the marks, the speed itself."""
    nearest = min(_ISO_MARKS, key=lambda mark: abs(math.log2(mark / iso)))
    return f"{nearest if abs(math.log2(nearest / iso)) < 0.34 else iso:.0f}"


def settings_words(
    focal_mm: float | None, f_number: float | None, seconds: float | None, iso: float | None, between: str = ", "
) -> str:
    """How a frame was taken, by the marks on a camera, as far as it is known: "15 mm, f/4, 1/125, ISO 200"."""
    words = [
        f"{focal_mm:.0f} mm" if focal_mm else "",
        f_label(f_number) if f_number else "",
        time_label(seconds) if seconds else "",
        f"ISO {iso_label(iso)}" if iso else "",
    ]
    return between.join(word for word in words if word)
