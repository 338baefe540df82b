"""Work given to a Dask cluster: the same bytes as one process, also when a worker is lost on the way."""

from __future__ import annotations

import hashlib
import math
import os
import signal
import sys
import threading
import time
from pathlib import Path

import pytest

from clerestory.camera.pose import Pose
from clerestory.run.cluster import gathered
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from running import run

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Five views of the modelled church, and a file that is no frame."""
    folder = tmp_path_factory.mktemp("frames")
    body, church = SimulatedCamera(width=648, height=486), Church(1)
    for n in range(5):
        pose = Pose(math.radians(17 * n - 30), math.radians(8), 0.01, (0.2, 4.0 + 5 * n, 1.6))
        frame = shoot(church, Shot(pose, iso=400, seconds=1 / 60, shake_px=0.2, focus_m=None), body, seed=60 + n)
        object.__setattr__(frame.meta, "time", frame.meta.time.replace(minute=10 + 9 * n))
        write_frame(frame, folder / f"C{n}.dng", folder)
    (folder / "C9.dng").write_bytes(b"no frame")
    return sorted(folder.glob("*.dng"))


def finished(root: Path, frames: list[Path], *more: str) -> dict[str, str]:
    """Digests of the pictures that the command makes of the frames in a new folder."""
    root.mkdir()
    for path in frames:
        os.link(path, root / path.name)
    assert run("finish", str(root), *more) == 1  # the file that is no frame is named
    pictures = sorted((root / "pictures").glob("view-*.jpg"))
    return {p.name: hashlib.blake2b(p.read_bytes()).hexdigest() for p in pictures}


def test_one_worker_of_two_killed_midway(
    frames: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = finished(tmp_path / "alone", frames, "--workers", "1")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        victim = next(iter(cluster.workers.values())).pid
        pictures = tmp_path / "cluster" / "pictures"

        def strike() -> None:
            while not list(pictures.glob("view-*.jpg")):
                time.sleep(0.02)
            os.kill(victim, getattr(signal, "SIGKILL", signal.SIGTERM))

        striker = threading.Thread(target=strike, daemon=True)
        striker.start()
        spread = finished(tmp_path / "cluster", frames, "--scheduler", cluster.scheduler_address)
        striker.join(1)
        assert not striker.is_alive()
    assert len(alone) == 5 and spread == alone
    assert "C9.dng" in capsys.readouterr().err


def test_a_hostile_task_costs_itself_and_not_the_worker() -> None:
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=2, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        before = client.run(os.getpid)
        executor = client.get_executor(pure=False)
        found = {o.index: o for o in gathered(executor, len, [("abc",)], (5.0, 400))}
        found |= {o.index + 1: o for o in gathered(executor, os._exit, [(3,)], (5.0, 400))}
        found |= {o.index + 2: o for o in gathered(executor, time.sleep, [(60,)], (1.0, 400))}
        assert found[0].value == 3
        assert "exit 3" in found[1].reason and "longer than 1 s" in found[2].reason
        if sys.platform == "linux":  # the only one that keeps a process to its share
            (bloated,) = gathered(executor, bytearray, [(1 << 30,)], (5.0, 400))
            assert "400 MB" in bloated.reason
        assert client.run(os.getpid) == before


def test_nobody_at_that_address(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.dng").write_bytes(b"")
    assert run("sort", str(tmp_path), "--scheduler", "nonsense://here") == 1
    assert "no Dask scheduler answers" in capsys.readouterr().err
