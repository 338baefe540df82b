"""Views put together by hand: nothing is lost, whatever the sorting finds since."""

from __future__ import annotations

from pathlib import Path

import pytest

from clerestory.errors import UserError
from clerestory.raw.group import View
from clerestory.visit.catalogue import FrameRow
from clerestory.visit.hand import HAND, arranged, hand_text, read_hand

A, B, C, D, E = PATHS = tuple(Path(f"{name}.dng") for name in "abcde")


def rows(seconds: tuple[float, ...] = (0.1,) * 5) -> dict[Path, FrameRow]:
    return {
        p: FrameRow(
            p.name, "", 1, 1, time=f"2027-04-20T11:00:0{5 - i}", sharpness=i, seconds=s, iso=100, f_number=8.0
        )
        for i, (p, s) in enumerate(zip(PATHS, seconds, strict=True))
    }


def sorted_views(*groups: tuple[Path, ...]) -> list[View]:
    return [View(f"view-{i}", "burst", g, g[0], "") for i, g in enumerate(groups, 1)]


def test_every_frame_is_in_one_view_and_views_stand_in_order_of_time() -> None:
    hand = {"view-1": ["c.dng"], "view-1b": ["a.dng", "b.dng", "gone.dng"], "tower": ["e.dng", "d.dng"]}
    found = arranged(sorted_views((C, B, A), (E, D)), hand, rows())
    assert [(v.name, v.frames, v.kind, v.pick) for v in found] == [
        ("tower", (E, D), "burst", E),  # sharpest: the sorting had no such view
        ("view-1", (C,), "single", C),
        ("view-1b", (B, A), "burst", B),
    ]


def test_a_frame_that_comes_later_stays_in_the_view_the_sorting_puts_it_in() -> None:
    found = arranged(sorted_views((C, B, A)), {"view-1": ["c.dng"], "view-1b": ["b.dng"]}, rows())
    assert {v.name: v.frames for v in found} == {"view-1": (C, A), "view-1b": (B,)}


def test_frames_joined_over_two_stops_are_a_bracket() -> None:
    views = sorted_views((A,), (B,), (C,))
    found = arranged(views, {"view-1": ["a.dng", "b.dng"]}, rows((0.1, 0.4, 0.1, 0.1, 0.1)))
    assert {v.name: v.kind for v in found} == {"view-1": "bracket", "view-3": "burst"}


def test_the_file_is_read_as_written_and_bad_ones_are_refused(tmp_path: Path) -> None:
    hand = {"view-1": ["a.dng"], "tower west": ["b.dng", "ä.dng"]}
    (tmp_path / HAND).write_text(hand_text(hand) or "", encoding="utf-8")
    assert read_hand(tmp_path) == hand and hand_text({}) is None
    for text in (
        '"../x" = ["a.dng"]',
        'view-1 = "a.dng"',
        '".x" = ["a.dng"]',
        "view-1 = [",
        '"nave: west" = ["a.dng"]',
        'con = ["a"]',
    ):
        (tmp_path / HAND).write_text(text, encoding="utf-8")
        with pytest.raises(UserError, match=HAND):
            read_hand(tmp_path)


def test_views_that_one_name_of_a_file_would_hold_are_refused() -> None:
    with pytest.raises(UserError, match="View-1 differ only in capitals"):
        arranged(sorted_views((A,), (B,)), {"View-1": ["b.dng"]}, rows())
