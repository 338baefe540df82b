"""Clerestory: plan, sort, finish and film a visit to a great church, with one camera model used both ways.

`import clerestory` gives the public interface of `clerestory.api`, loaded piece by piece when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from clerestory.errors import UserError

if TYPE_CHECKING:
    from clerestory.api import (
        catalogue,
        check_visit,
        describe_frame,
        export_sets,
        export_visit,
        finish_picture,
        finish_visit,
        import_card,
        keep_export_set,
        keep_visit,
        learn_from,
        linear_rgb,
        make_demo,
        make_film,
        merge_frames,
        open_frame,
        order,
        plan_in_full,
        plan_visit,
        sort_visit,
        vertical_of,
        write_picture,
    )
    from clerestory.finish.recipe import Recipe

__version__ = "0.2.0"
__all__ = [
    "Recipe",
    "UserError",
    "catalogue",
    "check_visit",
    "describe_frame",
    "export_sets",
    "export_visit",
    "finish_picture",
    "finish_visit",
    "import_card",
    "keep_export_set",
    "keep_visit",
    "learn_from",
    "linear_rgb",
    "make_demo",
    "make_film",
    "merge_frames",
    "open_frame",
    "order",
    "plan_in_full",
    "plan_visit",
    "sort_visit",
    "vertical_of",
    "write_picture",
]


def __getattr__(name: str) -> Any:
    """What `__all__` names, from where it stands (PEP 562)."""
    if name == "Recipe":
        return import_module("clerestory.finish.recipe").Recipe
    if name in __all__:
        return getattr(import_module("clerestory.api"), name)
    raise AttributeError(f"module 'clerestory' has no attribute '{name}'")
