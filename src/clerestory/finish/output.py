"""A view's pictures at the sizes an order asks for, sharpened for where they will be seen."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from clerestory.finish.bright import bright
from clerestory.finish.pipeline import F32, Picture, Seen, crop_of, developed, laid, mended, rectification_of, shown
from clerestory.finish.recipe import Recipe
from clerestory.finish.sharpen import MM_PER_INCH, sharpen_for_paper

if TYPE_CHECKING:
    from clerestory.finish.job import Order

ROUNDED = 2  # pixels by which rounding both edges of a picture may move its longer one


def made(seen: Seen, recipe: Recipe, order: Order) -> list[Picture]:
    """The finished pictures of one view, one for each aspect of the order, display-linear; developed once for all."""
    light, told = mended(seen, developed(seen, recipe, order.quality), recipe, order.quality)
    full: list[F32] = [light]
    del light
    rectification = rectification_of(seen, recipe)
    out = []
    for number, aspect in enumerate(order.aspects, 1):
        crop = crop_of(seen, rectification, aspect, recipe)
        last = number == len(order.aspects)
        edge = edge_of(order, crop.width, crop.height)
        straight, layers = laid(seen, full[0], recipe, aspect, edge, spent=last)
        if last:
            full.clear()  # some hundreds of megabytes that tone can do without
        held = straight.rgb.copy() if "bright" in order.kinds else None
        picture = replace(shown(seen, straight, layers, in_place=True), taken_out=told)
        if held is not None:
            picture = replace(picture, brighter=bright(held, picture.rgb, seen.settings.exposure))
        height, width = picture.rgb.shape[:2]
        per_inch = resolution_of(order, (width, height))
        if order.for_paper and per_inch is not None:
            sharpen_for_paper(picture.rgb, per_inch)
        out.append(picture)
    return out


def edge_of(order: Order, width: float, height: float) -> int | None:
    """The longest edge in pixels of a picture of these proportions; None for all the pixels there are."""
    if order.long_edge is not None:
        return order.long_edge
    if order.within is not None:
        scale = min(order.within[0] / width, order.within[1] / height)
        return int(max(width, height) * scale + 1e-6)
    if order.paper is not None and order.per_inch is not None:
        return round(_printed(order.paper, width, height) * order.per_inch)
    return None


def resolution_of(order: Order, size: tuple[int, int]) -> float | None:
    """Pixels to an inch of paper of a picture of `size` (width, height in pixels); None where none was asked for.

    Fewer than asked where the sheet wants more pixels than there are, as nothing is enlarged.
    """
    if order.per_inch is None or order.paper is None:
        return order.per_inch
    inches = _printed(order.paper, *size)
    enough = max(size) + ROUNDED >= inches * order.per_inch
    return order.per_inch if enough else max(size) / inches


def _printed(paper: tuple[float, float], width: float, height: float) -> float:
    """Inches of a picture's longer edge on a sheet turned as it lies."""
    long, short = max(width, height), min(width, height)
    return min(paper[0], paper[1] * long / short) / MM_PER_INCH
