"""The public interface: light to import, each name documented, and the same whoever asks for a picture."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.small_visit import small_visit

import clerestory as cl
from clerestory.finish.job import Order, job_of
from clerestory.finish.recipe import Recipe
from clerestory.finish.sources import source_of
from clerestory.raw import read
from clerestory.visit.about import About
from running import run


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A visit of two frames of one view and one of another."""
    return small_visit(tmp_path_factory.mktemp("visit") / "visit")


def test_importing_loads_nothing_heavy() -> None:
    script = (
        "import sys, clerestory; print([m for m in ('numpy', 'numba', 'cv2', 'rawpy', 'av') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", cl.__all__)
def test_every_public_name_is_there_and_says_what_it_does(name: str) -> None:
    assert len((getattr(cl, name).__doc__ or "").split()) > 5


def test_one_frame_from_file_to_picture(folder: Path, tmp_path: Path) -> None:
    path = folder / "frames" / "A0.dng"
    frame = cl.open_frame(path)
    assert frame.mosaic.raw.shape == (240, 320) and frame.info.focal_mm == 12
    linear = cl.linear_rgb(path)
    assert linear.dtype == np.float32 and linear.shape == (240, 320, 3) and np.isfinite(linear).all()
    assert cl.vertical_of(path).verdict in ("sure", "unsure", "cannot tell")
    picture = cl.finish_picture(path, cl.Recipe(exposure=0.5), aspect="1:1")
    with Image.open(cl.write_picture(picture, tmp_path / "a.jpg")) as shown:
        assert abs(shown.width - shown.height) <= 1 and shown.height > 200
    with pytest.raises(cl.UserError, match=r"a\.bmp: pictures are written as \.jpg, \.tif"):
        cl.write_picture(picture, tmp_path / "a.bmp")


def test_frames_that_cannot_be_merged_give_the_pick_and_the_reason(folder: Path) -> None:
    paths = [folder / "frames" / name for name in ("A0.dng", "A2.dng")]
    source = cl.merge_frames(paths)
    assert source.frames == (paths[0],) and "were not merged" in source.remarks[-1]
    with pytest.raises(cl.UserError, match="at least one path"):
        cl.merge_frames([])


def test_an_order_names_the_word_it_does_not_know() -> None:
    with pytest.raises(cl.UserError, match="The aspect '5:4' is not known; choose from own, 4:3"):
        cl.order(["5:4"])
    with pytest.raises(cl.UserError, match="The colour space 'prophoto' is not known"):
        cl.order(space="prophoto")


def test_finishing_reads_no_tags_that_sorting_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    views = cl.sort_visit(folder).views

    def again(path: Path) -> None:
        pytest.fail(f"the tags of {path.name} were read again")

    monkeypatch.setattr(read, "_tags", again)
    for view in views:
        source_of(view)


def test_the_same_picture_is_the_same_job_whoever_asks(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The pick by the recipe or by the view, the folder by its whole path or from where one stands."""
    view = next(v for v in cl.sort_visit(folder).views if len(v.frames) == 2)
    other = next(p for p in view.frames if p != view.pick)
    by_recipe = job_of(view, Recipe(pick=other.name), Order(), folder, About())
    by_view = job_of(replace(view, pick=other), Recipe(), Order(), folder, About())
    assert by_recipe.key() == by_view.key() != job_of(view, Recipe(), Order(), folder, About()).key()
    monkeypatch.chdir(folder)
    near = tuple(p.relative_to(folder) for p in view.frames)
    from_here = replace(view, frames=near, pick=other.relative_to(folder))
    assert job_of(from_here, Recipe(), Order(), Path(), About()).key() == by_view.key()


def test_the_aspect_planned_holds_where_nobody_asks_for_another(folder: Path) -> None:
    view = cl.sort_visit(folder).views[0]
    asked = [(Recipe(), Order()), (Recipe(aspect="1:1"), Order()), (Recipe(), Order((None, "4:3")))]
    found = [job_of(view, recipe, order, folder, About(), "16:9").order.aspects for recipe, order in asked]
    assert found == [("16:9",), ("1:1",), (None, "4:3")]


def test_an_export_is_what_its_set_says_and_check_knows_it(folder: Path) -> None:
    """By the command line: two aspects, both kinds, in Rec. 2020, named, with the resolution of the sheet."""
    words = ["--aspect", "own,1:1", "--kind", "jpeg,tiff", "--space", "rec2020", "--print-size", "40x30mm",
             "--resolution", "150", "--sharpen-for", "print", "--named", "date,number"]  # fmt: skip
    assert run("export", str(folder), "--set", "Small prints", *words, "--keep", "--workers", "1") == 0
    found = folder / "exports" / "Small prints"
    stems = {f"2031-06-01_{n}{aspect}" for n in ("001", "002") for aspect in ("", "_1x1")}
    assert {p.name for p in found.iterdir()} == {stem + end for stem in stems for end in (".jpg", ".tif")}
    with Image.open(found / "2031-06-01_001.jpg") as image:
        assert max(image.size) <= 40 / 25.4 * 150 + 1 and round(float(image.info["dpi"][0])) == 150
    assert [one.name for one in cl.export_sets(folder)] == ["Small prints"]
    before = {p: p.stat().st_mtime_ns for p in found.iterdir()}
    done = cl.export_visit(folder, "small prints", workers=1)
    assert all(d.kept for d in done.done) and {p: p.stat().st_mtime_ns for p in found.iterdir()} == before
    assert cl.check_visit(folder) == []
    (found / "2031-06-01_001.jpg").unlink()
    assert ["export makes it again" in d.what for d in cl.check_visit(folder)] == [True]
    (folder / "exports.toml").write_text('[[set]]\nname = "a"\nspace = "cmyk"\n', encoding="utf-8")
    assert run("export", str(folder), "--set", "a") == 1
    assert any("exports.toml" in str(d.path) for d in cl.check_visit(folder))
    (folder / "exports.toml").unlink()


def test_the_catalogue_gives_views_put_together_by_hand(folder: Path) -> None:
    cl.sort_visit(folder)
    before = {row["name"]: row["view"] for row in csv.DictReader(io.StringIO(cl.catalogue(folder)))}
    (folder / "views.toml").write_text('chapel = ["A1.dng", "A2.dng"]\n', encoding="utf-8")
    after = {row["name"]: row["view"] for row in csv.DictReader(io.StringIO(cl.catalogue(folder)))}
    assert after["A1.dng"] == after["A2.dng"] == "chapel" != after["A0.dng"] == before["A0.dng"]
    (folder / "views.toml").unlink()
    assert {row["name"]: row["view"] for row in csv.DictReader(io.StringIO(cl.catalogue(folder)))} == before
