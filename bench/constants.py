"""What a tuned constant of the finding of verticals does at half and at double of itself.

python bench/constants.py vanishing.USUAL vanishing.LOOSE         two constants, default counts
python bench/constants.py 'vanishing.HELD[:, 1]'                  a part of one
python bench/constants.py --views 8 --church 6 --seed 5 verdict.AS_A_WHOLE

Views of open panoramas and of a modelled church, those of bench/verticals.py, are made once. Then the one constant is
multiplied in a copy of the package, and the views are judged by that copy in a process of its own, so that what is
worked out from the constant, and kernels compiled with it, follow. A Markdown row for each.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))  # pickled views are of the module `verticals`
import verticals

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "clerestory"
FACTORS = (0.5, 2.0)


def parted(name: str) -> tuple[str, str, str]:
    """'vanishing.HELD[:, 1]' as its module, its name, and the part of it ('' for the whole)."""
    module, _, rest = name.partition(".")
    constant, bracket, part = rest.partition("[")
    if not constant.isidentifier() or not (PACKAGE / "vertical" / f"{module}.py").is_file():
        raise SystemExit(f"{name}: give MODULE.NAME of clerestory.vertical, such as vanishing.USUAL.")
    return module, constant, bracket + part


def multiplied(text: str, constant: str, part: str, factor: float) -> str:
    """A module's text with a line after the constant's own that multiplies it; whole numbers stay whole."""
    lines = text.splitlines()
    for node in ast.parse(text).body:
        targets = node.targets if isinstance(node, ast.Assign) else []
        names = [n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)]
        if constant in names:
            it = f"{constant}{part}"
            new = f"type({it})(round({it} * {factor}))" if whole(text, constant) else f"{it} * {factor}"
            lines.insert(node.end_lineno or node.lineno, f"{it} = {new}")
            return "\n".join(lines) + "\n"
    raise SystemExit(f"{constant}: no such constant there.")


def whole(text: str, constant: str) -> bool:
    """Whether a module gives the constant as a whole number."""
    return any(
        isinstance(node, ast.Assign)
        and any(isinstance(t, ast.Name) and t.id == constant for t in node.targets)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, int)
        for node in ast.parse(text).body
    )


def judged_by(copy: Path, views: Path) -> str:
    """The views judged by a copy of the package, in a process of its own: a JSON text."""
    env = os.environ | {"PYTHONPATH": str(copy), "NUMBA_CACHE_DIR": str(copy / "compiled")}
    command = [sys.executable, __file__, "--judge", str(views)]
    return subprocess.run(command, env=env, stdout=subprocess.PIPE, text=True, check=True).stdout


def judged_with(copy: Path, views: Path, module: str, constant: str, part: str, factor: float) -> str:
    """The same with one constant multiplied; the copy is as it was afterwards."""
    own, file = PACKAGE / "vertical" / f"{module}.py", copy / "clerestory" / "vertical" / f"{module}.py"
    file.write_text(multiplied(own.read_text(encoding="utf-8"), constant, part, factor), encoding="utf-8")
    try:
        return judged_by(copy, views)
    finally:
        shutil.copy2(own, file)


def judge(views: Path) -> None:
    """In the process of a copy: every view's source, error, bound and verdict, and the time, as JSON."""
    out = []
    with views.open("rb") as file:
        made: list[verticals.View] = pickle.load(file)  # written by this bench a moment ago
    verticals.find_vertical(made[0].luma, made[0].camera)  # compiles
    start = time.perf_counter()
    for view in made:
        found = verticals.find_vertical(view.luma, view.camera)
        error = verticals.angle_between(found.up, np.asarray(view.pose.up))
        out.append((view.source == "church", error, found.bound_deg, found.verdict))
    print(json.dumps({"views": out, "seconds": (time.perf_counter() - start) / len(made)}))


def figures(views: Sequence[Sequence[float | str]]) -> str:
    """Of a group of views: median and 90 % error, degrees; share called sure, how many of these are off by more than
    a degree; share of bounds that hold, and the median bound, degrees."""
    if not views:
        return "–"
    error, bound = (np.array([float(v[k]) for v in views]) for k in (1, 2))
    sure = np.array([v[3] == "sure" for v in views])
    wrong = int(np.count_nonzero(error[sure] > 1))
    return (
        f"{np.median(error):.3f} / {np.percentile(error, 90):.2f}, sure {sure.mean():.0%} ({wrong} wrong), "
        f"holds {np.mean(error <= bound):.0%}, bound {np.median(bound):.3f}"
    )


def row(name: str, text: str) -> str:
    """A Markdown row: what was set, panoramas, church."""
    told = json.loads(text)
    parts = ([v for v in told["views"] if bool(v[0]) == church] for church in (False, True))
    return f"| {name} | " + " | ".join(figures(part) for part in parts) + " |"


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("constants", nargs="*", help="MODULE.NAME of clerestory.vertical")
    parser.add_argument("--views", type=int, default=8, help="views of each panorama")
    parser.add_argument("--church", type=int, default=12, help="frames of the modelled church")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=verticals.PANORAMAS)
    parser.add_argument("--judge", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.judge is not None:
        judge(args.judge)
        return
    asked = [(name, *parted(name)) for name in args.constants]
    paths = [p for p in sorted(args.folder.glob("*")) if p.suffix in (".hdr", ".exr")]
    with tempfile.TemporaryDirectory() as folder:
        views = Path(folder) / "views.pickle"
        made = list(
            chain(
                *(verticals.panorama_views(path, args.views, args.seed) for path in paths if args.views),
                verticals.church_views(args.church, args.seed) if args.church else (),
            )
        )
        with views.open("wb") as file:
            pickle.dump(made, file, protocol=5)
        count = sum(view.source == "church" for view in made)
        print(f"| constant | {len(made) - count} views of panoramas | {count} of the church |")
        print("|---|---|---|", flush=True)
        copy = Path(folder) / "copy"
        shutil.copytree(PACKAGE, copy / "clerestory", ignore=shutil.ignore_patterns("__pycache__"))
        print(row("as it is", judged_by(copy, views)), flush=True)
        for name, module, constant, part in asked:
            for factor in FACTORS:
                text = judged_with(copy, views, module, constant, part, factor)
                print(row(f"`{name}` x {factor:g}", text), flush=True)


if __name__ == "__main__":
    main()
