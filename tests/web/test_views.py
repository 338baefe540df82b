"""What a person puts together on the pages holds for the commands too."""

from __future__ import annotations

import shutil
from pathlib import Path

from typer.testing import CliRunner

from clerestory.cli import app
from clerestory.visit.folder import VisitFolder
from clerestory.visit.hand import HAND, hand_text, read_hand
from clerestory.web import views


def test_commands_keep_views_put_together_by_hand(photographed: Path, tmp_path: Path) -> None:
    folder = tmp_path / "visit"
    shutil.copytree(photographed / "frames", folder / "frames")
    (folder / HAND).write_text(
        hand_text({"view-03": ["HM0003.dng"], "arcade": ["HM0004.dng", "HM0005.dng"]}) or "", encoding="utf-8"
    )
    (folder / "recipes").mkdir()
    (folder / "recipes" / "arcade.toml").write_text('pick = "HM0005.dng"\n', encoding="utf-8")
    said = CliRunner().invoke(app, ["sort", str(folder)])
    assert said.exit_code == 0, said.output
    lines = {line.split()[0]: line for line in said.output.splitlines()}
    assert lines.keys() == {"view-01", "view-02", "view-03", "arcade"}
    assert "2 frames" in lines["arcade"] and "1 frame " in lines["view-03"]
    # The sorting's own views are kept beneath, so that what was done by hand can be taken back.
    table = views.from_catalogue(VisitFolder(folder))
    assert table is not None and [len(v.frames) for v in table.views] == [1, 1, 3]
    by_hand = views.by_hand(table, read_hand(folder))
    assert {v.name: len(v.frames) for v in by_hand.views} == {"view-01": 1, "view-02": 1, "view-03": 1, "arcade": 2}
    assert "arcade" not in CliRunner().invoke(app, ["check", str(folder)]).output
