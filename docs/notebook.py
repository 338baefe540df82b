"""Runs examples/a_visit.ipynb on a visit and writes what it printed and showed into it.

    VISIT=demo-visit python docs/notebook.py

It does for this one notebook what Jupyter does, so that its output can be made anew without it.
"""

from __future__ import annotations

import ast
import base64
import contextlib
import io
import json
from pathlib import Path
from typing import Any

from PIL import Image

NOTEBOOK = Path(__file__).resolve().parent.parent / "examples" / "a_visit.ipynb"


def ran(source: str, shared: dict[str, Any]) -> list[dict[str, Any]]:
    """A cell's outputs: what it prints, and its last expression where that is worth anything."""
    tree, value = ast.parse(source), None
    last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None  # type: ignore[attr-defined]
    out: list[dict[str, Any]] = []
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(tree, "cell", "exec"), shared)
        if last is not None:
            value = eval(compile(last, "cell", "eval"), shared)
    if printed.getvalue():
        lines = printed.getvalue().splitlines(keepends=True)
        out.append({"name": "stdout", "output_type": "stream", "text": lines})
    if isinstance(value, Image.Image):
        file = io.BytesIO()
        value.convert("RGB").save(file, "JPEG", quality=80)
        data: dict[str, Any] = {"image/jpeg": base64.b64encode(file.getvalue()).decode(), "text/plain": ["a picture"]}
        out.append({"data": data, "metadata": {}, "output_type": "display_data"})
    elif value is not None:
        out.append({"data": {"text/plain": [repr(value)]}, "metadata": {}, "output_type": "display_data"})
    return out


def main() -> None:
    book = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    shared: dict[str, Any] = {}
    count = 0
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            count += 1
            cell["execution_count"], cell["outputs"] = count, ran("".join(cell["source"]), shared)
    NOTEBOOK.write_text(json.dumps(book, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
