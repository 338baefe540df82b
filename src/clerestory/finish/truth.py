"""What the ground truth of simulated frames says of a finished view, in the report's words."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.noise import NoiseModel
from clerestory.camera.rectification import Rectification
from clerestory.develop.colour import working_from_camera
from clerestory.finish import report
from clerestory.finish.job import noise_on_grey
from clerestory.finish.pipeline import ASPECT_RATIOS
from clerestory.finish.tone import working_noise


def _compared_join(folder: Path, account: Mapping[str, Any]) -> dict[str, str]:
    """The lean of a joined view by each of its frames' true vertical, carried to the picture's axes."""
    leans = []
    for name, rotation in zip(account["merge"]["frames"], account["merge"]["rotations"], strict=True):
        truth = json.loads((folder / "truth" / (Path(name).stem + ".truth.json")).read_text(encoding="utf-8"))
        leans.append(report.angle_between(np.asarray(rotation).T @ np.asarray(truth["up"]), account["up"]))
    worst = max(leans)
    return {
        "vertical": f"off by {worst:.3f}° in the worst of {len(leans)} frames",
        "tilt_left": f"{worst:.3f}° off the true vertical",
    }


def _true_noise(account: Mapping[str, Any], truth: Mapping[str, Any]) -> str:
    """The noise on mid grey that the simulator's own model gives the view: of one frame, or of the mean of as many as
    the merge put behind a typical place."""
    merge, body = account["merge"], truth["camera"]
    behind = float(merge.get("frames_behind_a_place", 1.0))
    noise = NoiseModel(tuple(truth["noise"]["gain"]), tuple(truth["noise"]["read"])).averaged(behind)
    span = (body["white"] - body["black"]) * 2.0 ** merge.get("stops_gained_above", 0.0)
    r, g, b = (m / min(account["multipliers"]) for m in account["multipliers"])
    shown = working_noise(noise, span, (r, g, b), working_from_camera(np.array(body["xyz_to_camera"])))
    stops = noise_on_grey(shown, account["tone"]["exposure"])
    return f"{stops:.2f} stops" + (f", as of {behind:.1f} frames averaged" if behind > 1 else "")


def compared(folder: Path, account: Mapping[str, Any]) -> dict[str, str]:
    """What the ground truth says of a finished view, in words, by the report's rows."""
    path = folder / "truth" / (Path(account["pick"]).stem + ".truth.json")
    try:
        truth = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if "rotations" in account["merge"]:
        return _compared_join(folder, account)
    pose = truth["pose"]
    error = report.angle_between(account["up"], truth["up"])
    out = {
        "lean_before": report.held(pose["pitch_deg"], pose["roll_deg"]),
        "vertical": f"off by {error:.3f}°",
        "tilt_left": f"{error:.3f}° off the true vertical" if account["plumb"] > 0 else "left as shot",
        "clipped": f"{100 * truth['clipped_share']:.1f} % of raw pixels",
    }
    if account["noise"]:
        out["noise"] = _true_noise(account, truth)
    told = truth["intrinsics"]
    camera = Camera(**{**told, "distortion": Distortion.of_json(told["distortion"])})
    pitch, roll, yaw = (math.radians(a) for a in (pose["pitch_deg"], pose["roll_deg"], account["swing"]))
    turn = Rectification(pitch, roll, account["plumb"], yaw)
    for name in account["aspects"]:
        aspect = camera.width / camera.height if name == "own" else ASPECT_RATIOS[name]
        kept = largest_crop(camera, turn, aspect).kept
        out[f"kept {name}"] = f"{100 * kept:.1f} % by the true pose"
    return out
