"""Where the finish uses the network, and what it says where it cannot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clerestory.develop import learned
from clerestory.finish.source import Source, by_network, full_size, said_of_network
from clerestory.raw.lens import LensCorrection
from clerestory.raw.read import FrameInfo
from light_frames import BALANCE, exposed, model, mosaic, signal, wall

NOISE = model(6400)


def _source() -> Source:
    path = Path("one.dng")
    info = FrameInfo(path=path, width=256, height=192, is_raw=True)
    return Source(
        info, LensCorrection(None, None, ""), mosaic(exposed(signal(wall(192, 256)), NOISE)), None, NOISE, (path,)
    )


def test_only_where_asked_for_and_only_single_frames() -> None:
    pytest.importorskip("onnxruntime", reason="the network runs on onnxruntime")
    one = _source()
    assert by_network(one, 1.0, "better") and said_of_network(one, "better") == ()
    assert not by_network(one, 1.0, "fast") and not by_network(one, 0.0, "better")
    several = replace(one, frames=(*one.frames, Path("two.dng")))
    assert not by_network(several, 1.0, "better")
    assert "of several" in said_of_network(several, "better")[0] and said_of_network(several, "fast") == ()
    full, half, none = (full_size(one, BALANCE, d, "better", lambda _: None) for d in (1.0, 0.5, 0.0))
    assert np.allclose(half, (full + none) / 2, atol=1e-4)


def test_without_the_package_todays_way_and_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learned, "usable", lambda: False)
    one = _source()
    assert not by_network(one, 1.0, "better")
    assert said_of_network(one, "better") == (
        "noise was taken out without the network: the package onnxruntime is not installed",
    )
    assert full_size(one, BALANCE, 1.0, "better", lambda _: None).shape == (192, 256, 3)
