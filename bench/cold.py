"""The first picture on a computer: what compiling costs, kernel by kernel.

`python bench/cold.py FRAME`: with an empty folder for compiled kernels, the seconds that preparing takes (two
processes), then those of the first picture, in processor and in wall time; the same without preparing; and the
kernels that cost most. A kernel that calls others counts theirs as its own. Wall time depends on what else the
machine does.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROWS = 40


def _finish(path: str, out: str) -> None:
    from numba.core import event

    recorded: Any = event.RecordingListener()
    event.register("numba:compile", recorded)
    wall, processor = time.perf_counter(), time.process_time()
    import clerestory

    clerestory.write_picture(clerestory.finish_picture(path), Path(out) / "picture.jpg")
    spent = time.process_time() - processor
    print(f"  processor {spent:6.1f} s   wall {time.perf_counter() - wall:6.1f} s")
    begun: dict[str, list[float]] = {}
    total: dict[str, float] = {}
    for when, what in recorded.buffer:
        function = what.data["dispatcher"].py_func
        name = f"{function.__module__}.{function.__name__}"
        if what.is_start:
            begun.setdefault(name, []).append(when)
        else:
            total[name] = total.get(name, 0.0) + when - begun[name].pop()
    for name, seconds in sorted(total.items(), key=lambda item: -item[1])[:ROWS]:
        print(f"  {seconds:6.2f} s  {name}")


def _prepare() -> None:
    from clerestory.finish.prepare import prepare

    wall = time.perf_counter()
    prepare()
    spent = os.times()
    both = spent.children_user + spent.children_system
    print(f"  processor {both:6.1f} s   wall {time.perf_counter() - wall:6.1f} s   for preparing")


def main() -> None:
    if sys.argv[1] == "prepare":
        _prepare()
    elif len(sys.argv) == 3:
        _finish(sys.argv[1], sys.argv[2])
    else:
        for title, steps in (("prepared", ("prepare", "finish")), ("cold, then warm", ("finish", "finish"))):
            print(title, flush=True)
            with tempfile.TemporaryDirectory() as folder:
                given = {**os.environ, "NUMBA_CACHE_DIR": folder}
                for step in steps:
                    call = ["prepare"] if step == "prepare" else [sys.argv[1], folder]
                    subprocess.run([sys.executable, __file__, *call], env=given, check=True)


if __name__ == "__main__":
    main()
