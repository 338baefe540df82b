"""Planned against measured in the simulated church: share of frame kept, noise, clipping, one line a view.

    python bench/planned.py [VIEWS] [WIDTH]

Each view is planned from a spot reading, photographed twice with another lens than a perfect one (distortion,
vignetting), and finished. Ratios are measured over planned.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from clerestory.camera.geometry import Pose
from clerestory.camera.steadiness import Hands
from clerestory.finish.light import read_source
from clerestory.finish.pipeline import look, room_of, straightening_of
from clerestory.finish.recipe import Recipe
from clerestory.plan.exposure import focus_for, settings_for
from clerestory.plan.framing import Framing, aim, frame
from clerestory.plan.model import BodyTable, LensTable, StationTable, ViewTable
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import LUMINANCE, Church
from clerestory.simulate.shoot import Shot, shoot, write_frame

OPTICS = Lens()
CORNER = 100 * (sum(OPTICS.distortion.radial) - 1)  # how far the corner is moved, per cent, as a lens test states it
LENS = LensTable(name="l", focal_mm=OPTICS.focal_mm, f_number=OPTICS.widest_f, distortion_pct=CORNER)


def body_of(width: int) -> tuple[SimulatedCamera, BodyTable]:
    """The simulator's body at some width and the plan's word for it; counting noise goes into the read noise."""
    camera = SimulatedCamera(width=width, height=width * 3 // 4, sensor_mm=(17.3, 12.975))
    model = camera.noise_model(camera.base_iso)
    table = BodyTable(
        name="b",
        sensor_mm=camera.sensor_mm,
        pixels=(camera.width, camera.height),
        full_well_e=camera.full_well,
        read_noise_e=model.read[1] / model.gain[1],
        base_iso=camera.base_iso,
    )
    return camera, table


def view_of(church: Church, rng: np.random.Generator, stone: float) -> tuple[ViewTable, StationTable]:
    """A view of an end wall or a nave wall from somewhere in the nave."""
    f = church.form
    on = str(rng.choice(["east", "north"]))
    along = rng.uniform(0.55, 0.75) * f.length
    centre = (0.0, f.length, rng.uniform(7, 11)) if on == "east" else (-f.half, along, rng.uniform(5, 8))
    view = ViewTable(
        name="v",
        room="r",
        centre_m=centre,
        width_m=rng.uniform(5, 8),
        height_m=rng.uniform(6, 10),
        on=on,  # type: ignore[arg-type]
        square_on=on == "east",
        shape=str(rng.choice(["4:3", "3:2", "16:9"])),  # type: ignore[arg-type]
        stone_cd_m2=stone,
    )
    return view, StationTable(name="s", at_m=(rng.uniform(-0.8, 0.8), rng.uniform(0.1, 0.35) * f.length))


def shot_of(framing: Framing, eye: tuple[float, float, float]) -> Shot:
    """The camera held as planned, everything in focus."""
    pose = Pose(float(np.radians(framing.yaw)), float(np.radians(framing.tilt)), 0.0, eye)
    return Shot(pose=pose, focal_mm=framing.focal, focus_m=None, shake_px=0.0)


def one(seed: int, width: int, folder: Path) -> str | None:
    """One view planned, taken and finished, as a line of the table."""
    rng = np.random.default_rng(seed)
    church = Church(seed=seed % 7 + 1)
    camera, table = body_of(width)
    view, station = view_of(church, rng, 4.0)
    aimed = aim(view, station, 0.75)
    if aimed is None or not (framing := frame(aimed, table, LENS)).fits or framing.portrait:
        return None
    shot = shot_of(framing, (*station.at_m, station.eye_m))
    preview = church.render(camera.intrinsics(framing.focal), shot.pose, OPTICS.distortion)
    h, w = preview.depth.shape
    spot = (slice(h // 2 - h // 40, h // 2 + h // 40), slice(w // 2 - h // 40, w // 2 + h // 40))
    stone = float((preview.radiance[spot] @ LUMINANCE).mean())
    aimed = replace(aimed, view=view.model_copy(update={"stone_cd_m2": stone}))
    focus = focus_for(aimed, framing, table, LENS)
    settings = settings_for(aimed, framing, focus, table, LENS, Hands())
    shot = replace(shot, f_number=focus.f_number, seconds=settings.seconds, iso=settings.iso)
    frames = [shoot(church, shot, camera, OPTICS, seed=k) for k in (seed, seed + 1000)]
    first, second = (f.raw[spot].astype(float)[0::2, 1::2] - camera.black for f in frames)
    snr = float(first.mean() / (np.std(first - second) / np.sqrt(2)))
    level = settings.stone / stone
    predicted = float(((preview.radiance @ LUMINANCE) * level > 1).mean())
    clipped = float((frames[0].raw[0::2, 1::2] >= camera.white).mean())
    path = folder / "v.dng"
    write_frame(frames[0], path)
    recipe = Recipe(plumb=1.0, turn=framing.turn, shape=view.shape)  # type: ignore[arg-type]
    seen = look(read_source(path), recipe)
    kept = room_of(seen, straightening_of(seen, recipe), recipe.shape, recipe).kept
    planned = framing.room(table).kept
    room = f"{planned:7.3f}{kept:8.3f}{(1 - kept) / (1 - planned):7.3f}"
    noise = f"{settings.snr_one:7.1f}{snr:8.1f}{snr / settings.snr_one:7.3f}"
    clips = f"{predicted:8.4f}{clipped:8.4f}"
    return f"{seed:4} {view.on:6}{view.shape:6}{framing.tilt:6.1f}  {room}  {noise}  {clips}  {seen.upright.verdict}"


def main() -> None:
    """Print the table."""
    views = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 2592
    print("seed on    shape   tilt  planned    kept loss*    planned     snr  ratio   planned clipped")
    seed, done = 1, 0
    with tempfile.TemporaryDirectory() as folder:
        while done < views:
            line = one(seed, width, Path(folder))
            seed += 1
            if line is not None:
                print(line, flush=True)
                done += 1
    print("* measured loss over planned loss")


if __name__ == "__main__":
    main()
