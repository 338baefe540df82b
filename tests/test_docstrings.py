"""Public docstrings say what a reader of arrays needs first: their shape."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import clerestory

PACKAGE = Path(clerestory.__path__[0])
ARRAY = re.compile(r"\b(NDArray|ArrayLike)\b")
# One side of a shape: a number, a letter, a constant, or a word such as 'samples'; '3 SECTORS', '2 k + 1', 'H/2'.
SIDE = r"(?:\d+ )?(?:\d+|[A-Za-z]|[A-Z_]{2,}|height|width|rows|columns|samples|frames|tiles)(?:(?: [+-] |/)\d+)?"
# 'H x W x 3', '2 x 2'; '(n, 3)', '(..., 2)', '(m,)', '(...)'.
SHAPE = re.compile(rf"\b{SIDE} x {SIDE}\b|\((?:{SIDE}|\.\.\.)(?:, (?:{SIDE}|\.\.\.))+\)|\({SIDE},\)|\(\.\.\.,?\)")


def texts() -> dict[str, ast.Module]:
    return {
        p.relative_to(PACKAGE).as_posix(): ast.parse(p.read_text(encoding="utf-8")) for p in PACKAGE.rglob("*.py")
    }


def aliases(module: ast.Module) -> set[str]:
    """Names that a module gives to array types, as in `Plane = NDArray[np.float32]`."""
    assigned = (
        node for node in module.body if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    )
    return {n.targets[0].id for n in assigned if ARRAY.search(ast.unparse(n.value))}  # type: ignore[attr-defined]


def functions(module: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Public functions, and public methods of public classes."""
    for node in module.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node.name, node
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                    yield f"{node.name}.{inner.name}", inner


def takes_array(function: ast.FunctionDef, names: re.Pattern[str]) -> bool:
    given = function.args
    return any(
        arg.annotation is not None and names.search(ast.unparse(arg.annotation))
        for arg in (*given.posonlyargs, *given.args, *given.kwonlyargs)
    )


def without_shape() -> list[str]:
    modules = texts()
    known = set().union(*(aliases(module) for module in modules.values()))
    names = re.compile(rf"\b({'|'.join(sorted(known))}|NDArray|ArrayLike)\b")
    taking = [
        (file, name, function)
        for file, module in modules.items()
        for name, function in functions(module)
        if takes_array(function, names)
    ]
    assert len(taking) > 150
    return [f"{file}: {name}" for file, name, f in taking if not SHAPE.search(ast.get_docstring(f) or "")]


def test_public_functions_that_take_arrays_name_a_shape() -> None:
    assert list(without_shape()) == []
