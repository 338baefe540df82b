"""Angle of view, depth of field, diffraction. Lengths in metres, focal lengths and sensor sizes in millimetres."""

from __future__ import annotations

import math

AIRY = 2.44  # Airy disc diameter = 2.44 lambda N (Hecht, Optics)


def angle_of_view(size_mm: float, focal_mm: float) -> float:
    """Angle of view in degrees across `size_mm` of sensor: 2 atan(d / 2f)."""
    return math.degrees(2 * math.atan(size_mm / (2 * focal_mm)))


def equivalent_focal(focal_mm: float, sensor_mm: tuple[float, float]) -> float:
    """Focal length on 36 x 24 mm with the same diagonal angle of view (common practice)."""
    return focal_mm * math.hypot(36, 24) / math.hypot(*sensor_mm)


def hyperfocal(focal_mm: float, f_number: float, coc_mm: float) -> float:
    """Hyperfocal distance in metres, H = f^2 / (N c) + f (Ray, Applied Photographic Optics)."""
    return (focal_mm**2 / (f_number * coc_mm) + focal_mm) / 1000


def sharp_limits(distance: float, focal_mm: float, f_number: float, coc_mm: float) -> tuple[float, float]:
    """Near and far limits in metres when focused at `distance`; far is infinite from the hyperfocal on (Ray)."""
    h, f = hyperfocal(focal_mm, f_number, coc_mm), focal_mm / 1000
    near = distance * (h - f) / (h + distance - 2 * f)
    far = math.inf if distance >= h else distance * (h - f) / (h - distance)
    return near, far


def defocus_blur(depth: float, distance: float, focal_mm: float, f_number: float) -> float:
    """Diameter in mm on the sensor of the blur disc of a point at `depth` metres when focused at `distance`."""
    f = focal_mm / 1000
    return abs(depth - distance) / depth * f * f / (f_number * (distance - f)) * 1000


def airy_disc(f_number: float, wavelength_nm: float = 550.0) -> float:
    """Diameter of the Airy disc in mm: 2.44 lambda N."""
    return AIRY * wavelength_nm * 1e-6 * f_number


def diffraction_sigma(f_number: float, wavelength_nm: float = 550.0) -> float:
    """Standard deviation in mm of the Gaussian nearest to the Airy pattern: 0.42 lambda N.

    Zhang, Zerubia and Olivo-Marin 2007, "Gaussian approximations of fluorescence microscope point-spread function
    models": 0.21 lambda / NA in air; from memory, checked against the pattern itself in the tests.
    """
    return 0.42 * wavelength_nm * 1e-6 * f_number


def focus_between(near: float, far: float) -> float:
    """Distance to focus at, m, so that `near` and `far` are equally blurred: 2 near far / (near + far) (Ray)."""
    return 2 * near if math.isinf(far) else 2 * near * far / (near + far)


def f_number_for(near: float, far: float, focal_mm: float, coc_mm: float) -> float:
    """Smallest f-number that keeps `near` to `far` (m) within a blur of `coc_mm` when focused between them."""
    distance = focus_between(near, far)
    return defocus_blur(near, distance, focal_mm, 1.0) / coc_mm


def front_share(distance: float, focal_mm: float, f_number: float, coc_mm: float) -> float:
    """Share of the sharp depth that lies before the focus distance: a third at H/3, half close up, nil from H."""
    near, far = sharp_limits(distance, focal_mm, f_number, coc_mm)
    return 0.0 if math.isinf(far) else (distance - near) / (far - near)


def focus_steps(
    near: float, far: float, focal_mm: float, f_number: float, coc_mm: float, most: int = 20
) -> list[float]:
    """Distances to focus at, m, so that the sharp depths join up from `near` to `far`; at most `most` of them."""
    h, f = hyperfocal(focal_mm, f_number, coc_mm), focal_mm / 1000
    steps: list[float] = []
    edge = near
    while edge < far * (1 - 1e-9) and len(steps) < most:
        room = h - f - edge
        distance = edge * (h - 2 * f) / room if room > 0 else math.inf
        if math.isinf(distance) or distance >= h:
            return [*steps, h if edge < h else edge]
        steps.append(distance)
        edge = sharp_limits(distance, focal_mm, f_number, coc_mm)[1]
    return steps or [near]
