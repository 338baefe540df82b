"""Planned against measured in the simulated church: share of frame lost, noise, clipping, one line a view.

    python bench/planned.py [VIEWS] [WIDTH]

Each view is planned from a spot reading, photographed twice through a lens with distortion and vignetting, and
finished. The church's light is coloured, so both the spot reading and the share clipped are planned from what the
camera's green sees of it; the plan's lens darkens the corners as its profile says. Ratios are measured over planned.
A view that the finisher was unsure of and left leaning is counted apart. Wanted: 5 % of the loss, of the signal to
noise, and of the share clipped.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.steadiness import Hands
from clerestory.finish.pipeline import crop_of, look, rectification_of
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import read_source
from clerestory.plan.exposure import focus_for, settings_for
from clerestory.plan.framing import aim, frame
from clerestory.plan.model import BodyTable, LensTable, StationTable, ViewTable
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame

OPTICS = Lens()
LENS = LensTable(
    name="l",
    focal_mm=OPTICS.focal_mm,
    f_number=OPTICS.widest_f,
    distortion=OPTICS.distortion.radial,
    vignetting=OPTICS.vignetting,
)


@dataclass(frozen=True)
class Row:
    """One view: planned and measured, and how sure the finisher was."""

    words: str
    lost: tuple[float, float]
    noise: tuple[float, float]
    clipped: tuple[float, float]
    sure: bool

    def line(self) -> str:
        """A line of the table."""
        pairs = (self.lost, self.noise, self.clipped)
        columns = [f"{a:9.4g}{b:9.4g}{b / a if a else 1:7.3f}" for a, b in pairs]
        return f"{self.words}  {'  '.join(columns)}  {'sure' if self.sure else 'unsure'}"


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
        aspect=str(rng.choice(["4:3", "3:2", "16:9"])),  # type: ignore[arg-type]
        stone_cd_m2=stone,
    )
    return view, StationTable(name="s", at_m=(rng.uniform(-0.8, 0.8), rng.uniform(0.1, 0.35) * f.length))


def one(seed: int, width: int, folder: Path) -> Row | None:
    """One view planned, taken and finished."""
    rng = np.random.default_rng(seed)
    church = Church(seed=seed % 7 + 1)
    camera, table = body_of(width)
    view, station = view_of(church, rng, 4.0)
    aimed = aim(view, station, 0.75)
    if aimed is None or not (framing := frame(aimed, table, LENS)).fits or framing.portrait:
        return None
    shot = Shot(framing.pose(aimed.eye), framing.focal, focus_m=None, shake_px=0.0)
    ideal = church.render(camera.intrinsics(framing.focal, OPTICS), shot.pose)
    green = ideal.radiance @ camera.rec2020_to_camera[1].astype(np.float32)
    stone, spot = read_spot(green)
    aimed = replace(aimed, view=view.model_copy(update={"stone_cd_m2": stone}))
    focus = focus_for(aimed, framing, table, LENS)
    settings = settings_for(aimed, framing, focus, table, LENS, Hands())
    shot = replace(shot, f_number=focus.f_number, seconds=settings.seconds, iso=settings.iso)
    frames = [shoot(church, shot, camera, OPTICS, seed=k) for k in (seed, seed + 1000)]
    greens = [f.raw[0::2, 1::2].astype(float) - camera.black for f in frames]
    first, second = (g[spot[0::2, 1::2]] for g in greens)
    snr = float(first.mean() / (np.std(first - second) / np.sqrt(2)))
    left = LENS.light_left(camera.width, camera.height)
    clipped = float((green * left * settings.stone / stone > 1).mean())
    path = folder / "v.dng"
    write_frame(frames[0], path)
    recipe = Recipe(plumb=1.0, swing=framing.turn, aspect=view.aspect)  # type: ignore[arg-type]
    found = look(read_source(path), recipe)
    kept = crop_of(found, rectification_of(found, recipe), recipe.aspect, recipe).kept
    return Row(
        f"{seed:4} {view.on:6}{view.aspect:6}{framing.tilt:6.1f}",
        (1 - framing.crop(table).kept, 1 - kept),
        (settings.snr_one, snr),
        (clipped, float((greens[0] >= camera.range).mean())),
        found.vertical.verdict == "sure",
    )


def read_spot(luminance: NDArray[np.float32]) -> tuple[float, NDArray[np.bool_]]:
    """What a spot meter reads of the stone in the middle of the frame, cd/m2, and the pixels it reads."""
    h, w = luminance.shape
    spot = np.zeros((h, w), bool)
    spot[h // 2 - h // 12 : h // 2 + h // 12, w // 2 - h // 12 : w // 2 + h // 12] = True
    middle = float(np.median(luminance[spot]))
    spot &= (luminance > middle / 2) & (luminance < middle * 2)
    return float(luminance[spot].mean()), spot


def summary(rows: list[Row]) -> list[str]:
    """How many views lie within 5 %, those left leaning counted apart."""
    sure = [r for r in rows if r.sure]
    out = []
    for name, among in (("lost", sure), ("noise", rows), ("clipped", [r for r in rows if max(r.clipped) > 0.001])):
        ratios = np.array([getattr(r, name)[1] / getattr(r, name)[0] for r in among])
        near = int((np.abs(ratios - 1) <= 0.05).sum())
        out.append(f"{name:8}{near} of {len(among)} within 5 %, farthest {np.abs(ratios - 1).max():.1%}")
    return [*out, f"unsure  {len(rows) - len(sure)}, not counted under lost"]


def main() -> None:
    """Print the table."""
    views = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 2592
    heads = [f"{name:>9}{'seen':>9}{'ratio':>7}" for name in ("lost", "noise", "clipped")]
    print(f"seed on    aspect  tilt  {'  '.join(heads)}")
    rows: list[Row] = []
    seed = 0
    with tempfile.TemporaryDirectory() as folder:
        while len(rows) < views:
            seed += 1
            row = one(seed, width, Path(folder))
            if row is not None:
                rows.append(row)
                print(row.line(), flush=True)
    print("\n".join(summary(rows)))


if __name__ == "__main__":
    main()
