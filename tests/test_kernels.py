"""Compiled code rounds alike wherever and whenever it was compiled."""

from __future__ import annotations

import importlib
import pkgutil

from numba.core.registry import CPUDispatcher

import clerestory


def kernels(without: str = "") -> dict[str, CPUDispatcher]:
    """Every kernel of the package by name, but for those of a room."""
    modules = [m.name for m in pkgutil.walk_packages(clerestory.__path__, "clerestory.")]
    return {
        f"{name}.{key}": value
        for name in modules
        if not name.endswith("__main__") and not (without and without in name)
        for key, value in vars(importlib.import_module(name)).items()
        if isinstance(value, CPUDispatcher)
    }


def test_no_kernel_that_pictures_pass_through_uses_fast_maths() -> None:
    found = kernels(without=".simulate")
    assert len(found) > 50
    assert [k for k, v in found.items() if v.targetoptions.get("fastmath")] == []


def test_no_kernel_is_numbas_own_parallel_loop() -> None:
    """Those take three to five times as long to compile: rows are dealt out by `run.bands` instead."""
    assert [k for k, v in kernels().items() if v.targetoptions.get("parallel")] == []
