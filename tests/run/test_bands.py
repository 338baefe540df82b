"""Rows dealt out to threads: each done once, whatever the cores, and what a band raises is heard."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clerestory.run import bands


def count(begin: int, end: int, seen: np.ndarray) -> None:
    seen[begin:end] += 1


@given(first=st.integers(0, 40), rows=st.integers(-3, 400), least=st.integers(1, 64), cores=st.integers(1, 9))
def test_every_row_is_done_once(first: int, rows: int, least: int, cores: int) -> None:
    seen = np.zeros(600, int)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bands, "cores", lambda: cores)
        bands.in_bands(count, first, first + rows, seen, least=least)
    assert seen[first : first + max(rows, 0)].tolist() == [1] * max(rows, 0)
    assert seen.sum() == max(rows, 0)


def test_what_a_band_raises_is_heard() -> None:
    def fails(begin: int, end: int) -> None:
        if begin <= 300 < end:
            raise ValueError("row 300")

    with pytest.raises(ValueError, match="row 300"):
        bands.in_bands(fails, 0, 400)
