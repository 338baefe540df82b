"""Where a detail lies within a picture of the whole, or an older picture on today's, found by matching."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.film.draft import small_luminance
from clerestory.film.pictures import size_of

Region = tuple[float, float, float, float]
Grey = NDArray[np.uint8]
Matrix = NDArray[np.float64]

LEAST = 14  # matches that must agree; set when details were first looked for, no record


def _grey(path: Path, side: int) -> NDArray[np.uint8]:
    light = small_luminance(path, min(side, max(size_of(path))))
    grey = np.clip(np.power(np.clip(light, 0, 1), 1 / 2.2) * 255, 0, 255).astype(np.uint8)
    out: NDArray[np.uint8] = cv2.createCLAHE(2.0, (8, 8)).apply(grey)
    return out


def _homography(detail: Path, whole: Path, sides: tuple[int, int]) -> tuple[Matrix, Grey, Grey] | None:
    """How pixels of one grey picture lie in another, both so many pixels wide at the most, and the two.

    Scale-invariant features matched by ratio, then a homography by RANSAC with at least 14 agreeing matches.
    """
    small, large = _grey(detail, sides[0]), _grey(whole, sides[1])
    finder = cv2.SIFT.create(nfeatures=6000, contrastThreshold=0.02)
    points_a, words_a = finder.detectAndCompute(small, None)
    points_b, words_b = finder.detectAndCompute(large, None)
    if words_a is None or words_b is None or len(points_a) < LEAST or len(points_b) < LEAST:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(words_a, words_b, k=2)
    good = [m for m, *rest in pairs if rest and m.distance < 0.75 * rest[0].distance]
    if len(good) < LEAST:
        return None
    a = np.array([points_a[m.queryIdx].pt for m in good], np.float32)
    b = np.array([points_b[m.trainIdx].pt for m in good], np.float32)
    cv2.setRNGSeed(1)
    homography, agree = cv2.findHomography(a, b, cv2.RANSAC, 4.0)
    if homography is None or int(agree.sum()) < LEAST:
        return None
    return np.asarray(homography, np.float64), small, large


def find_region(detail: Path, whole: Path) -> Region | None:
    """Left, top, right, bottom of the detail within the whole, as shares of its size; None when not found."""
    found = _homography(detail, whole, (700, 1800))
    if found is None:
        return None
    homography, small, large = found
    h, w = small.shape
    corners = cv2.perspectiveTransform(np.array([[[0, 0], [w, 0], [w, h], [0, h]]], np.float32), homography)[0]
    low, high = corners.min(axis=0), corners.max(axis=0)
    size = np.array([large.shape[1], large.shape[0]])
    low, high = np.clip(low / size, 0, 1), np.clip(high / size, 0, 1)
    if (high - low).min() < 0.01 or (high - low).max() > 0.98:
        return None
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def matched(older: Path, today: Path) -> Matrix | None:
    """The homography from an older picture's pixels to today's, by what of the building both show; None if not found.

    Places count from the pictures' outer corners.
    """
    found = _homography(older, today, (1400, 1400))
    if found is None:
        return None
    homography, small, large = found
    middle = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    (ow, oh), (tw, th) = size_of(older), size_of(today)
    into = np.diag([small.shape[1] / ow, small.shape[0] / oh, 1.0])
    out = np.diag([tw / large.shape[1], th / large.shape[0], 1.0])
    whole: Matrix = out @ middle @ homography @ np.linalg.inv(middle) @ into
    return whole
