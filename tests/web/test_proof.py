"""Proofs: the export's own pixels, from as much of the work before as still holds."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import exiv2
import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.finish.job import Order, finish_view, job_of
from clerestory.finish.recipe import Recipe
from clerestory.visit.about import About
from clerestory.visit.folder import VisitFolder
from clerestory.web import proof, views


def test_a_proof_is_the_file_and_a_tone_control_develops_nothing_anew(
    photographed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = VisitFolder.open(tmp_path)
    view = next(v for v in views.from_sorting(VisitFolder.open(photographed), lambda *_: None).views
                if len(v.frames) == 1)  # fmt: skip

    def proven(recipe: Recipe) -> np.ndarray[Any, Any]:
        job = job_of(view, recipe, Order(), tmp_path, About())
        found = np.load(proof.kept_at(visit, proof.prove(visit, job, None)))
        finish_view(job)
        file = cv2.imread(str(tmp_path / "pictures" / f"{view.name}.jpg"))[..., ::-1]
        assert np.array_equal(found, file)
        return found

    hazy, clear = (proven(Recipe(veiling_glare=percent)) for percent in (0.0, 6.0))
    assert not np.array_equal(hazy, clear), "another share of glare is taken out at full size, too"
    first = proven(Recipe())
    monkeypatch.setattr(proof, "developed", lambda *_: pytest.fail("developed again"))
    lighter = proven(Recipe(exposure=0.7, window_hold=1.0))
    assert lighter.mean() > first.mean() + 5
    assert proven(Recipe(exposure=0.7, crop_size=0.5)).shape[1] == pytest.approx(first.shape[1] / 2, abs=2)
    corner = [[0.1, 0.5], [0.35, 0.5], [0.35, 0.9], [0.1, 0.9]]
    light = {"kind": "light", "stops": 1.5, "at": corner}
    touched = proven(Recipe.model_validate({"exposure": 0.7, "touches": [light]}))
    plain = proven(Recipe(exposure=0.7))
    assert touched[-200:-80, 120:240].mean() > plain[-200:-80, 120:240].mean() + 15
    # Elsewhere only sharpening, which goes by the noise of the whole picture, and JPEG's rounding change anything.
    assert np.abs(touched[:, -300:].astype(int) - plain[:, -300:]).mean() < 0.5
    gone = {"kind": "take out", "at": [[0.2, 0.6]], "width": 0.03, "by": "surroundings"}
    proven(Recipe.model_validate({"touches": [light, {"kind": "even colour", "at": corner}, gone]}))
    report = json.loads((tmp_path / ".clerestory" / "accounts" / f"{view.name}.json").read_text())
    assert any("what is shown there was not seen" in said for said in report["remarks"])
    file = exiv2.ImageFactory.open(str(tmp_path / "pictures" / f"{view.name}.jpg"))
    file.readMetadata()
    assert "not seen" in file.xmpData()["Xmp.clerestory.TakenOut"].toString(), "and the file itself says so"


def test_tiles_put_together_are_the_picture_and_its_reductions(tmp_path: Path) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (700, 1301, 3), np.uint8)
    path = tmp_path / "kept.npy"
    np.save(path, pixels)
    for level in (0, 1, 3):
        step = proof.TILE << level
        rows = [
            np.hstack([
                cv2.imdecode(np.frombuffer(proof.tile(path, level, c, r), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
                for c in range(-(-1301 // step))
            ])
            for r in range(-(-700 // step))
        ]  # fmt: skip
        by = 1 << level
        whole = np.pad(pixels, [(0, -700 % by), (0, -1301 % by), (0, 0)], mode="edge").astype(float)
        mean = whole.reshape(whole.shape[0] // by, by, whole.shape[1] // by, by, 3).mean(axis=(1, 3))
        assert np.abs(np.vstack(rows) - mean).max() <= 0.5 + 1e-9
    with pytest.raises(UserError, match="no such part"):
        proof.tile(path, 0, 3, 0)
    with pytest.raises(UserError, match="no longer at hand"):
        proof.tile(tmp_path / "none.npy", 0, 0, 0)
