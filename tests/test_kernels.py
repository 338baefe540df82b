"""Compiled code rounds alike wherever and whenever it was compiled."""

from __future__ import annotations

import importlib
import pkgutil

from numba.core.registry import CPUDispatcher

import clerestory


def test_no_kernel_that_pictures_pass_through_uses_fast_maths() -> None:
    modules = [m.name for m in pkgutil.walk_packages(clerestory.__path__, "clerestory.") if ".simulate" not in m.name]
    kernels = {
        f"{name}.{key}": value
        for name in modules
        if not name.endswith("__main__")
        for key, value in vars(importlib.import_module(name)).items()
        if isinstance(value, CPUDispatcher)
    }
    assert len(kernels) > 50
    assert [k for k, v in kernels.items() if v.targetoptions.get("fastmath")] == []


def test_no_kernel_is_numbas_own_parallel_loop() -> None:
    """Those take three to five times as long to compile: rows are dealt out by `run.bands` instead."""
    modules = [m.name for m in pkgutil.walk_packages(clerestory.__path__, "clerestory.")]
    kernels = {
        f"{name}.{key}": value
        for name in modules
        if not name.endswith("__main__")
        for key, value in vars(importlib.import_module(name)).items()
        if isinstance(value, CPUDispatcher)
    }
    assert [k for k, v in kernels.items() if v.targetoptions.get("parallel")] == []
