"""The demo report's columns: what was measured beside what the simulator knows, of the same thing."""

from __future__ import annotations

import json
import math
from datetime import timedelta
from pathlib import Path

import pytest

from clerestory.camera.pose import Pose
from clerestory.finish.truth import compared
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from running import run


def test_noise_of_one_frame_and_of_a_burst_stand_beside_their_own_truth(tmp_path: Path) -> None:
    frames, truth = tmp_path / "frames", tmp_path / "truth"
    frames.mkdir()
    truth.mkdir()
    body, church = SimulatedCamera(width=1296, height=972), Church(1)
    alone = Shot(Pose(0.02, 0.15, 0.02, (0.2, 4.0, 1.6)), iso=800, seconds=1 / 60, shake_px=0.2, focus_m=None)
    for n in range(5):
        pose = alone.pose if n == 0 else Pose(-0.5 + 0.001 * n, 0.2, -0.01, (0.2, 13.0, 1.6))
        time = alone.time + timedelta(minutes=6 * (n > 0), seconds=0.15 * n)
        shot = Shot(pose, iso=800, seconds=1 / 60, shake_px=0.2, focus_m=None, time=time)
        write_frame(shoot(church, shot, body, seed=60 + n), frames / f"A{n}.dng", truth)
    assert run("finish", str(tmp_path), "--workers", "1") == 0
    told = json.loads((tmp_path / "pictures" / "report.json").read_text())
    seen = {}
    for account in told["views"]:
        words = compared(tmp_path, account)["noise"]
        true, found = float(words.split(" stops")[0]), account["noise_stops"]
        assert found == pytest.approx(true, rel=0.1, abs=0.01), words
        seen[len(account["frames"])] = (found, words)
    assert set(seen) == {1, 4}
    assert "averaged" in seen[4][1] and "averaged" not in seen[1][1]
    assert math.log2(seen[1][0] / seen[4][0]) > 0.5  # a merge of four is far below one frame: the two are not alike
