"""Exposure: meter and sensor equations. Luminance in cd/m2, time in seconds."""

from __future__ import annotations

import math

METER_K = 12.5  # cd s / m2, reflected-light meter constant (ISO 2720)
LENS_Q = 0.65  # lens transmittance, vignetting and angle together (ISO 12232)
SATURATION = 78.0  # saturation-based speed S = 78 / H_sat (ISO 12232)


def exposure_value(f_number: float, seconds: float) -> float:
    """EV = log2(N^2 / t)."""
    return math.log2(f_number**2 / seconds)


def metered_time(luminance: float, f_number: float, iso: float) -> float:
    """Shutter time in seconds a reflected-light meter gives: t = K N^2 / (L S) (ISO 2720)."""
    return METER_K * f_number**2 / (luminance * iso)


def focal_plane_exposure(luminance: float, f_number: float, seconds: float) -> float:
    """H = q L t / N^2 in lux seconds (ISO 12232)."""
    return LENS_Q * luminance * seconds / f_number**2


def raw_fraction(luminance: float, f_number: float, seconds: float, iso: float) -> float:
    """Raw signal as a share of saturation for a neutral surface, before clipping (ISO 12232, S = 78 / H_sat)."""
    return focal_plane_exposure(luminance, f_number, seconds) * iso / SATURATION
