"""Every message that the program can print, read out of its source.

`python docs/messages.py` writes them anew into docs/troubles.md, each under the heading whose files it comes from;
what to do about each group stands there by hand and is left as it is. `--list` prints them with their files.
"""

from __future__ import annotations

import ast
import html
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
SOURCE = HERE.parent / "src" / "clerestory"
PAGE = HERE / "troubles.md"
GAP = "…"  # stands for what is filled in: a name, a number, a path

# Which argument of a call is the sentence that a user reads.
SENTENCE = {"UserError": 0, "Taken": 0, "Running": 0, "Conflict": 0, "Refused": 0, "Difference": 1, "Mistake": 2}
# Lists whose entries are told to the user, and texts whose complaints are gathered.
GATHERED = {"problems": "append", "warnings": "append", "remarks": "append", "complaints": "add"}
# Where a ValueError is a mistake in a text that a person wrote; elsewhere it is one of ours.
TEXTS = ("building/measure.py", "building/model.py", "film/model.py", "film/sound.py", "finish/export.py",
         "finish/recipe.py", "plan/church.py", "plan/model.py")  # fmt: skip


def worded(node: ast.expr | None, names: dict[str, list[ast.expr]], depth: int = 0) -> list[str]:
    """The sentences an expression can come to, with a gap for what is filled in; none where it cannot be told."""
    match node:
        case ast.Constant(value=str(text)):
            return [text]
        case ast.JoinedStr(values=parts):
            return ["".join(str(p.value) if isinstance(p, ast.Constant) else GAP for p in parts)]
        case ast.IfExp(body=one, orelse=other):
            return [*worded(one, names, depth), *worded(other, names, depth)]
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            ends = worded(right, names, depth) or [GAP]
            return [a + b for a in worded(left, names, depth) or [GAP] for b in ends]
        case ast.Name(id=name) if depth < 2:
            return [text for given in names.get(name, []) for text in worded(given, names, depth + 1)]
    return []


def _assigned(tree: ast.AST) -> dict[str, list[ast.expr]]:
    """What is assigned to each name, wherever in this file."""
    found: dict[str, list[ast.expr]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name):
            found.setdefault(node.targets[0].id, []).append(node.value)
    return found


def _sentence_of(call: ast.Call, file: str) -> ast.expr | None:
    """The argument of a call that a user reads, if it is such a call."""
    func, given = call.func, call.args
    if isinstance(func, ast.Name):
        place = 0 if func.id == "ValueError" and file in TEXTS else SENTENCE.get(func.id, 99)
        return given[place] if place < len(given) else None
    if not isinstance(func, ast.Attribute) or not given:
        return None
    owner = func.value.attr if isinstance(func.value, ast.Attribute) else getattr(func.value, "id", "")
    if GATHERED.get(owner) == func.attr or (owner == "err" and func.attr == "print"):
        return given[-1]
    return None


def in_python(path: Path) -> Iterator[str]:
    """The messages of one module."""
    file = path.relative_to(SOURCE).as_posix()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = _assigned(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield from worded(_sentence_of(node, file), names)
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "_PLAIN":
            yield from (text for value in getattr(node.value, "values", []) for text in worded(value, names))


_PROBLEM = re.compile(r"\.(?:problem|trouble)\((.*?)(?:, \[\[|$)", re.MULTILINE)  # what is said, without its buttons
_SAID = re.compile(r'\b(?:say|few)\("((?:[^"\\]|\\.)*)"(?:, "((?:[^"\\]|\\.)*)")?')


def in_page(path: Path) -> Iterator[str]:
    """The problems that one of the pages' scripts shows in words of its own; the rest come from Python."""
    for problem in _PROBLEM.finditer(path.read_text(encoding="utf-8")):
        for said in _SAID.finditer(problem.group(1)):
            yield from (re.sub(r"\{\w+\}", GAP, text) for text in said.groups() if text)


def _clean(text: str) -> str:
    return re.sub(rf"(?:{GAP}[\s]*){{2,}}", GAP, " ".join(text.split())).strip()


@cache
def messages() -> dict[str, list[str]]:
    """Every message by the file it stands in, in the files' order; what is all gap is left out."""
    found: dict[str, list[str]] = {}
    for path in sorted(SOURCE.rglob("*.py")) + sorted(SOURCE.rglob("*.js")):
        said = in_python(path) if path.suffix == ".py" else in_page(path)
        texts = dict.fromkeys(_clean(text) for text in said)
        if kept := [text for text in texts if len(re.findall(r"[A-Za-z]{2,}", text)) > 1]:
            found[path.relative_to(SOURCE).as_posix()] = kept
    return found


def plainly(text: str) -> str:
    """A message as HTML in which Markdown finds nothing to do."""
    return re.sub(r"[\[\]*_`!#]", lambda sign: f"&#{ord(sign.group())};", html.escape(text, quote=False))


_LIST = re.compile(r"<!-- messages: ([^>]*?) -->\n.*?<!-- end -->", re.DOTALL)


def page_with(text: str, found: dict[str, list[str]]) -> str:
    """The page with each list written anew; a file belongs to the longest of the beginnings that the lists name."""
    homes = [home for match in _LIST.finditer(text) for home in match.group(1).split()]
    of: dict[str, list[str]] = {}
    for file, said in found.items():
        fitting = [home for home in homes if file.startswith(home)]
        if not fitting:
            raise SystemExit(f"docs/troubles.md names no place for the messages of {file}; add it to a list there.")
        of.setdefault(max(fitting, key=len), []).extend(said)

    def listed(match: re.Match[str]) -> str:
        said = dict.fromkeys(text for home in match.group(1).split() for text in of.get(home, []))
        lines = "".join(f"- <code>{plainly(one)}</code>\n" for one in said)
        return f"<!-- messages: {match.group(1)} -->\n{lines}<!-- end -->"

    return _LIST.sub(listed, text)


def main() -> None:
    if "--list" in sys.argv:
        for file, said in messages().items():
            print(file, *said, sep="\n    ")
        return
    PAGE.write_text(page_with(PAGE.read_text(encoding="utf-8"), messages()), encoding="utf-8")


if __name__ == "__main__":
    main()
