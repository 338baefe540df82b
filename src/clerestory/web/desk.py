"""What one running server knows and does about one visit: views, recipes, undo, open views, background work."""

from __future__ import annotations

import contextlib
import json
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from clerestory.errors import UserError
from clerestory.files.lock import Taken
from clerestory.files.mistakes import made
from clerestory.files.store import in_words
from clerestory.finish.recipe import OF_ONE_VIEW, Recipe, pick_gone, picked, recipe_of
from clerestory.raw.group import SOFT_LEAST, SOFT_SHARE, View
from clerestory.raw.kept import key_of, unpacked
from clerestory.raw.overlap import changed_share
from clerestory.raw.together import against, strangers, together
from clerestory.run.pool import pool_of_one
from clerestory.run.progress import BrokenOff
from clerestory.visit import hand
from clerestory.visit.about import read_abouts
from clerestory.visit.folder import VisitFolder
from clerestory.visit.index import plain_name
from clerestory.visit.journal import Journal
from clerestory.web import views
from clerestory.web.conflict import check_known
from clerestory.web.proofs import Proofs
from clerestory.web.start import key_of_folder
from clerestory.web.texts import Texts
from clerestory.web.versions import Kept
from clerestory.web.views import Table
from clerestory.web.words import Words

# What decodes and finishes takes two seconds to load: the first page does not wait for it.
if TYPE_CHECKING:
    from clerestory.finish.job import Done, Job
    from clerestory.raw.inspect import Inspection
    from clerestory.web.darkroom import Darkroom
    from clerestory.web.preview import OpenView


class Tell(Protocol):
    """Hears of everything that happens, from any thread; passes it on to every open page."""

    def __call__(self, event: str, **facts: Any) -> None: ...


log = logging.getLogger("clerestory.web")
LONGEST = 400  # views that one message may name
# What pages hear of when a text was written; of any other, that the views are to be arranged anew.
_FOLLOWS = {"visit.toml": "plan", "exports.toml": "exports", "versions.toml": "versions"}
PATIENCE = 1.0  # seconds between two looks whether another process has let go of the visit


class Desk:
    """One visit on the desk."""

    def __init__(self, folder: Path, tell: Tell) -> None:
        self.visit = VisitFolder.open(folder)
        self.root = self.visit.root
        self.tell = tell
        self.journal = Journal(self.root)
        self.texts = Texts(self.root, self.journal)
        self.words = Words(self.root, self.journal, tell)
        self.kept = Kept(self)
        self.proofs = Proofs(self.visit)
        self.slow = ThreadPoolExecutor(6, "clerestory-slow")
        self.quick = ThreadPoolExecutor(1, "clerestory-preview")
        self.pen = ThreadPoolExecutor(1, "clerestory-pen")
        self.press = ThreadPoolExecutor(1, "clerestory-press")
        self._away: ProcessPoolExecutor | None = None
        self._darkroom: Darkroom | None = None
        self._merging: list[View] = []
        self._lock = threading.Lock()
        self._base = Table()
        self.table = Table()
        self.left_out: list[str] = []  # frames in no view
        self.sorting: dict[str, Any] = {"state": "waiting"}
        self.queue: dict[str, str] = {}
        self._stops = 0  # how often the writing was broken off
        self._planned: tuple[object, Mapping[str, str]] | None = None
        self._no_reading = False
        self._read_more = False  # frames came while others were being read
        self._working: set[str] = set()  # what is done in the other process, or about to be
        self._given_up: set[str] = set()  # of it, what a person broke off
        self._took: dict[str, float] = {}  # seconds that work of a kind took last

    def close(self) -> None:
        """Stop background work; nothing half-written is left."""
        for pool in (self.slow, self.quick, self.pen, self.press):
            pool.shutdown(wait=False, cancel_futures=True)
        self.proofs.close()
        if self._away is not None:
            for process in list((self._away._processes or {}).values()):
                process.kill()
            self._away.shutdown(wait=False, cancel_futures=True)

    # ---- frames and views

    def begin(self) -> None:
        """Show what the catalogue holds at once; sort in the background where it is out of date."""
        try:
            table = views.from_catalogue(self.visit)
        except UserError as problem:
            self.sorting = {"state": "failed", "said": str(problem)}
            return
        if table is None:
            self.sort_again()
        else:
            self._put(table)

    def sort_again(self) -> None:
        """Read the frames anew in the background; once more where they are being read already."""
        with self._lock:
            self._read_more = self.sorting.get("state") == "reading"
            if self._read_more:
                return
            self._no_reading = False
            self._sorting(state="reading", done=0, total=0)
        self.slow.submit(self._sort)

    def stop_reading(self) -> None:
        """Break off the reading of frames; what was seen so far is kept for the next time."""
        self._no_reading = True

    def _read_on(self, done: int, total: int) -> None:
        if self._no_reading:
            raise BrokenOff
        self._sorting(state="reading", done=done, total=total)

    def _sort(self) -> None:
        self._sort_once()
        if self.sorting["state"] != "sorted":
            self.tell("views")  # a page that asked a moment before asks once more
        with self._lock:
            more, self._read_more = self._read_more and not self._no_reading, False
        if more:
            self.sort_again()

    def _sort_once(self) -> None:
        try:
            table = views.from_sorting(self.visit, self._read_on)
        except BrokenOff:
            said = "The reading was broken off. What was seen so far is kept; 'Read frames again' goes on from there."
            self._sorting(state="stopped", said=said, frames=len(self._base.frames))
            return
        except (UserError, OSError) as problem:
            self._sorting(state="failed", said=str(problem))
            return
        except Exception as problem:
            log.exception("sorting")
            self._sorting(
                state="failed", said=f"A fault of ours stopped the reading of frames ({type(problem).__name__})."
            )
            return
        self._put(table)

    def _sorting(self, **facts: Any) -> None:
        self.sorting = facts
        self.tell("sorting", **facts)

    def _put(self, table: Table) -> None:
        # Sorted before a page hears of the views: what it then asks for must not say that they are still being read.
        self._base, self.sorting = table, {"state": "sorted", "frames": len(table.frames)}
        self.arrange()
        self.tell("sorting", **self.sorting)

    def arrange(self) -> None:
        """Take up what a person put otherwise."""
        self.left_out = []
        try:
            groups = hand.read_hand(self.root)
            self.table = views.by_hand(self._base, groups)
            self.left_out = [name for name in groups.get(hand.LEFT_OUT, []) if name in self.table.paths]
        except UserError as problem:
            self.table = self._base
            self.tell("trouble", said=str(problem))
        self.tell("views")

    def visit_facts(self) -> dict[str, Any]:
        """Everything the pages need to draw themselves."""
        frames = {
            name: {
                "sharpness": row.sharpness, "clipped": row.clipped, "time": row.time,
                "settings": views.settings_of(row), "width": row.width, "height": row.height,
                "camera": ", ".join(word for word in (row.model, row.lens) if word),
            }
            for name, row in self.table.frames.items() if not row.refused
        }  # fmt: skip
        finished = set(views.recipe_path(self.root, "x").parent.glob("*.toml")) if self.table.views else set()
        return {
            "title": self.root.resolve().name,
            "key": key_of_folder(self.root.resolve()),
            "views": views.shown(self.table, self.root),
            "frames": frames,
            "refused": self.table.refused,
            "left_out": self.left_out,
            "sorting": self.sorting,
            "queue": self.queue,
            "done": self.done_views(),
            "recipes": sorted(p.stem for p in finished),
        }

    def done_views(self) -> list[str]:
        """Views that have a picture."""
        folder = self.visit.hidden / "accounts"
        return sorted(p.stem for p in folder.glob("*.json")) if folder.is_dir() else []

    def _look(self, path: Path) -> Inspection | None:
        """What sorting saw of a frame; None where that is not kept."""
        with contextlib.suppress(OSError):
            return unpacked((self.visit.looks / f"{key_of(path)}.npz").read_bytes(), path)
        return None

    def frame_facts(self, view: str) -> dict[str, dict[str, Any]]:
        """For each frame of a view: the blur of its edges, whether it is soft, and what share came or went; what it
        has in common with the pick, in words, and whether it is a stranger to the rest."""
        found = self.table.view(view)
        seen = {path: one for path in found.frames if (one := self._look(path)) is not None}
        chosen = picked(found, self.recipe(view)).pick
        pick = seen.get(chosen)
        lies = against(list(seen.values()), chosen)
        others = set(strangers(list(seen.values()))) if len(seen) > 1 else set()
        out: dict[str, dict[str, Any]] = {}
        for path, one in seen.items():
            limit = max(SOFT_LEAST, SOFT_SHARE * max(one.info.width, one.info.height))
            moved = None
            if pick is not None and one is not pick and found.kind in ("clear", "burst", "bracket"):
                moved = float(changed_share(pick.look, one.look))
            soft = one.edge_blur is not None and one.edge_blur > limit
            clipped = one.clipping.one + one.clipping.two + one.clipping.all
            out[plain_name(path)] = {
                "blur": one.edge_blur, "soft": soft, "moved": moved, "clipped_any": clipped,
                "together": lies[path].words() if path in lies else "", "stranger": path in others,
            }  # fmt: skip
        return out

    def compared(self, first: str, second: str) -> str:
        """What any two frames have in common, in words; '' where sorting has kept nothing of one of them."""
        one, two = self._look(self.frame(first)), self._look(self.frame(second))
        return together(one, two).words() if one is not None and two is not None else ""

    def split(self, view: str, frames: Iterable[str]) -> str:
        """Put frames of a view into a view of their own; returns its name."""
        found, wanted = self.table.view(view), list(frames)
        names = [plain_name(p) for p in found.frames]
        if not wanted or not set(wanted) < set(names):
            raise UserError("Choose some of the view's frames, not all, for a new view.")
        groups = hand.read_hand(self.root)
        new = self._free_name(view)
        groups[view] = [n for n in names if n not in wanted]
        groups[new] = [n for n in names if n in wanted]
        self._regroup(groups, f"{len(wanted)} frames of {view} made a new view", new)
        return new

    def join(self, first: str, second: str) -> str:
        """Make two views one, under the first one's name; what is doubtful about it, '' where nothing is."""
        groups = hand.read_hand(self.root)
        frames = [plain_name(p) for v in (first, second) for p in self.table.view(v).frames]
        groups.pop(second, None)
        groups[first] = frames
        self._regroup(groups, f"{second} joined to {first}", first)
        looks = [one for path in self.table.view(first).frames if (one := self._look(path)) is not None]
        unlike = [plain_name(path) for path in strangers(looks)]
        if not unlike:
            return ""
        few = ", ".join(unlike[:4]) + (" and more" if len(unlike) > 4 else "")
        return (f"{few} {'has' if len(unlike) == 1 else 'have'} no place in common with the other frames of {first}. "
                "They are finished as one picture; put apart what shows something else.")  # fmt: skip

    def leave_out(self, frames: Iterable[str], back: bool = False) -> None:
        """Take frames out of every view, or bring them back; nothing is deleted."""
        known = set(self.table.paths)
        wanted = [name for name in frames if name in known]
        if not wanted:
            raise UserError("Choose at least one frame.")
        groups = hand.read_hand(self.root)
        had = groups.get(hand.LEFT_OUT, [])
        now = [n for n in had if n not in wanted] if back else [*had, *(n for n in wanted if n not in had)]
        if now:
            groups[hand.LEFT_OUT] = now
        else:
            groups.pop(hand.LEFT_OUT, None)
        count = f"{len(wanted)} frame{'' if len(wanted) == 1 else 's'}"
        self._regroup(groups, f"{count} {'brought back' if back else 'left out'}", "")

    def _regroup(self, groups: Mapping[str, list[str]], said: str, place: str) -> None:
        self.journal.commit("sort", said, {hand.HAND: hand.hand_text(groups)}, place=place)
        self.arrange()

    def _free_name(self, view: str) -> str:
        taken = {v.name for v in self.table.views}
        stem = view.rstrip("abcdefghijklmnopqrstuvwxyz") if view[-2:-1].isdigit() else view
        return next(n for c in range(98, 123) if (n := f"{stem}{chr(c)}") not in taken)

    # ---- recipes

    def recipe(self, view: str) -> Recipe:
        """The recipe of a view."""
        return views.recipe_of(self.root, view)

    def changed(self, view: str, values: Mapping[str, Any]) -> Recipe:
        """The recipe with some of its fields set otherwise (None: left to the tool); nothing is written."""
        fields = {**self.recipe(view).model_dump(), **values}
        for several in ("lines", "touches"):
            fields[several] = fields[several] or ()
        return made(Recipe, fields)

    def set_recipe(
        self,
        view: str,
        values: Mapping[str, Any],
        gesture: str,
        scope: str = "finish",
        was: Mapping[str, Any] | None = None,
    ) -> Recipe:
        """Change a recipe and write it at once.

        `was`: what the page knew these fields to be. `Conflict` where one of them has been set otherwise elsewhere
        since; nothing is changed then.
        """
        self.table.view(view)
        if was is not None and not (gesture and gesture == self.journal.last_gesture(scope)):
            now = self.recipe(view).model_dump(mode="json")
            check_known(now, values, was, lambda moved: _set_elsewhere(view, moved), view=view)
        recipe = self.changed(view, values)
        said = f"{view}: {', '.join(name.replace('_', ' ') for name in values)}"
        if self.journal.commit(scope, said, {f"recipes/{view}.toml": recipe.text()}, gesture, view):
            self._told_recipe(view, recipe)
        return recipe

    def _told_recipe(self, view: str, recipe: Recipe) -> None:
        self.tell("recipe", view=view, recipe=recipe.model_dump(mode="json"))

    def _view_of(self, name: str) -> str:
        """The view whose recipe a text is; '' for other texts, and for recipes of no view."""
        view = Path(name).stem
        return view if name.startswith("recipes/") and any(v.name == view for v in self.table.views) else ""

    def _coming(self, texts: Mapping[str, str | None]) -> list[str]:
        """Tell every page of recipes that are about to be written, so that their pictures are drawn meanwhile; of
        which views they are."""
        out = []
        for name, text in texts.items():
            if view := self._view_of(name):
                with contextlib.suppress(UserError):  # what is wrong with a text is told once it is written
                    recipe = Recipe() if text is None else recipe_of(text, self.root / name)
                    self.tell("coming", view=view, recipe=recipe.model_dump(mode="json"))
                    out.append(view)
        return out

    def texts_changed(self, names: Iterable[str]) -> None:
        """Let every page know what follows from texts that were written as such, or by a step back or forth."""
        follows = set()
        for name in names:
            self.tell("text", name=name, revision=self.journal.revision(name))
            if view := self._view_of(name):
                self._told_recipe(view, self.recipe(view))
                follows.add("views")
            elif name.startswith("recipes/"):
                continue
            elif name.startswith("film/"):
                follows.add("film")
            else:
                follows.add(_FOLLOWS.get(name, "arranged"))
        if "arranged" in follows:
            self.arrange()  # which tells of the views
            follows -= {"arranged", "views"}
        for event in sorted(follows):
            self.tell(event)

    def copy_recipe(self, view: str, others: list[str], what: list[str]) -> int:
        """Give some fields of a view's recipe to other views, as one step; how many views."""
        source = self.recipe(view).model_dump()
        allowed = set(Recipe.model_fields).difference(OF_ONE_VIEW)
        values = {name: source[name] for name in what if name in allowed}
        if not values or not others:
            raise UserError("Choose at least one setting and one other view to copy to.")
        recipes = {other: self.changed(other, values) for other in others[:LONGEST] if self.table.view(other)}
        texts = {f"recipes/{other}.toml": recipe.text() for other, recipe in recipes.items()}
        self.journal.commit(
            "finish",
            f"settings of {view} copied to {len(recipes)} view{'' if len(recipes) == 1 else 's'}",
            texts,
            place=view,
        )
        for other, recipe in recipes.items():
            self._told_recipe(other, recipe)
        return len(recipes)

    def step(self, scope: str, back: bool) -> dict[str, Any]:
        """Undo or redo, and say what it was and where."""
        told: list[str] = []
        try:
            change = (self.journal.undo if back else self.journal.redo)(scope, lambda t: told.extend(self._coming(t)))
        except UserError:
            for view in told:
                self._told_recipe(view, self.recipe(view))
            raise
        if change is None:
            return {"said": "", "place": "", **self.journal.ahead(scope)}
        self.texts_changed(change.after)
        return {"said": change.said, "place": change.place, **self.journal.ahead(scope)}

    # ---- open views and full-size work

    def view(self, name: str) -> View:
        """The view with its chosen pick."""
        return picked(self.table.view(name), self.recipe(name))

    def darkroom(self) -> Darkroom:
        """The views held open; loaded when first asked for."""
        from clerestory.web.darkroom import Darkroom

        with self._lock:
            if self._darkroom is None:
                self._darkroom = Darkroom()
            return self._darkroom

    def at_hand(self, name: str) -> OpenView | None:
        """The view if it is in memory: never waits."""
        return self._darkroom.at_hand(self.view(name)) if self._darkroom is not None else None

    def opened(self, name: str) -> OpenView:
        """The view in memory; read first where it is not."""
        found_view, recipe = self.table.view(name), self.recipe(name)
        if gone := pick_gone(found_view, recipe):
            self.tell("trouble", key=f"pick {name}", said=gone, text=f"recipes/{name}.toml")
        view = picked(found_view, recipe)
        if ahead := len(view.frames) > 1 and self.at_hand(name) is None:  # what is to come, before the first look
            self._announce(_merging(view))
        try:
            found = self.darkroom().open(view, lambda said: self.tell("opening", view=name, said=said))
        except Exception:
            if ahead:
                self._ended(_merging(view))
            raise
        with self._lock:
            begin = not found.merged and view not in self._merging
            if begin:
                self._merging.append(view)
        if begin:
            self.slow.submit(self._merge, view)
        elif ahead and found.merged:
            self._ended(_merging(view))
        return found

    def _merge(self, view: View) -> None:
        """Put a view's frames together in the worker process; until then its pick stands for it."""
        from clerestory.finish.sources import source_of
        from clerestory.web.preview import OpenView

        try:
            merged = OpenView.of(view, lambda _: None, self.away(_merging(view), source_of, view))
            if self.at_hand(view.name) is not None:
                self.darkroom().put(merged)
        except Exception as problem:
            log.exception("merging")
            if (stand_in := self.at_hand(view.name)) is not None:
                stand_in.merged = True  # not tried again while it is open
            said = str(problem) if isinstance(problem, UserError) else type(problem).__name__
            self.tell("trouble", said=f"{view.name}: its frames could not be merged ({said}).")
        finally:
            with self._lock:
                self._merging.remove(view)
            self.tell("merged", view=view.name)

    def away(self, what: str, work: Callable[..., Any], *args: Any) -> Any:
        """Do heavy work in a process of its own, so that no control waits for it. `what` it is, for the pages.

        UserError where it was broken off by `stop_away`, or its process died.
        """
        kind = f"{work.__module__}.{work.__name__}"
        begun, pool = time.monotonic(), None
        self._announce(what, self._took.get(kind))
        try:
            with self._lock:
                if what in self._given_up:
                    raise CancelledError
                if self._away is None:
                    self._away = pool_of_one()
                pool = self._away
            found = pool.submit(work, *args).result()
            self._took[kind] = time.monotonic() - begun
            return found
        except (BrokenProcessPool, CancelledError) as problem:
            with self._lock:
                if self._away is pool:
                    self._away = None
                stopped = what in self._given_up
            if stopped:
                raise UserError(f"Broken off: {what}.") from problem
            raise UserError("The process doing this died (out of memory, or a damaged frame); try again.") \
                from problem  # fmt: skip
        finally:
            self._ended(what)

    def _announce(self, what: str, usual: float | None = None) -> None:
        with self._lock:
            self._working.add(what)
        self.tell("work", what=what, usual=usual, state="begun")

    def _ended(self, what: str) -> None:
        with self._lock:
            self._working.discard(what)
            self._given_up.discard(what)
        self.tell("work", what=what, state="ended")

    def stop_away(self, what: str) -> None:
        """Break off work in the other process. What waits behind it there is begun anew by whoever asked for it."""
        with self._lock:
            if what not in self._working:
                return
            pool, self._away = self._away, None
            self._given_up.add(what)
        if pool is not None:
            for process in list((pool._processes or {}).values()):
                process.kill()

    def job(
        self,
        name: str,
        tiff: bool = False,
        better: bool = False,
        again: bool = False,
        values: Mapping[str, Any] | None = None,
    ) -> Job:
        """A view's finishing work as it stands, or with some `values` of its recipe set otherwise. `again`: also in
        the aspects and kinds it was written in before."""
        from clerestory.finish.job import Order, job_of
        from clerestory.plan.taken import planned_aspects

        recipe, abouts = self.changed(name, values or {}), read_abouts(self.visit.about)
        view = self.view(name)
        planned = planned_aspects(self.visit.root, [view], abouts).get(name)
        kinds: tuple[Any, ...] = ("jpeg", "tiff") if tiff else ("jpeg",)
        aspects: tuple[Any, ...] = (None,)
        if again:
            had_aspects, had_kinds = _written(self.visit.hidden / "accounts" / f"{name}.json")
            kinds = tuple(dict.fromkeys(kinds + had_kinds))
            aspects = tuple(dict.fromkeys((recipe.aspect or planned, *had_aspects)))
        order = Order(aspects, kinds, quality="better" if better else "fast")
        return job_of(view, recipe, order, self.visit.root, abouts.of(name), planned)

    def planned_aspect(self, name: str) -> str | None:
        """The aspect that a view was planned with; None where there is no plan of it."""
        stamp = tuple(p.stat().st_mtime_ns if p.exists() else 0 for p in (self.root / "visit.toml", self.visit.about))
        held = self._planned
        if held is None or held[0] != (stamp, id(self.table)):
            found: Mapping[str, str] = {}
            if stamp[0]:  # without a plan there is nothing to load
                from clerestory.plan.taken import planned_aspects

                found = planned_aspects(self.root, list(self.table.views), read_abouts(self.visit.about))
            self._planned = held = ((stamp, id(self.table)), found)
        return held[1].get(name)

    def as_shown(self, name: str, values: Mapping[str, Any]) -> Recipe:
        """The recipe with some of its fields set otherwise, and in the aspect that the picture will have."""
        recipe = self.changed(name, values)
        planned = self.planned_aspect(name) if recipe.aspect is None else None
        return recipe.model_copy(update={"aspect": planned}) if planned else recipe

    def proof(self, name: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """A view's picture as it would be written with some settings changed: what `proofs.Asked` tells of it."""

        def merged() -> Any:
            held = self.at_hand(name)
            return held.seen.source if held is not None and held.merged else None

        return asdict(self.proofs.ask(self.job(name, values=values), merged))

    def papers(self) -> list[dict[str, str]]:
        """The papers' profiles that lie beside the visit."""
        from clerestory.web.papers import papers

        return papers(self.root)

    def full_frame(self, frame: str) -> Path:
        """A frame at full size, plainly developed."""
        from clerestory.web.fullsize import full_frame

        path: Path = self.away(f"{frame} at 100 %", full_frame, self.visit, self.frame(frame))
        return path

    def frame(self, name: str) -> Path:
        """A frame's file by its name."""
        path = self.table.paths.get(name)
        if path is None or path.is_symlink():
            raise UserError(f"There is no frame {name} in this visit.")
        return path

    # ---- writing pictures

    def export(self, names: list[str], tiff: bool, better: bool) -> None:
        """Put views into the queue; they are written one after another."""
        jobs = {name: self.job(name, tiff, better, again=True) for name in names if self.table.view(name)}
        if not jobs:
            raise UserError("Choose at least one view to save.")
        with self._lock:
            self.queue.update({name: "waiting" for name in jobs})
            stops = self._stops
        self._told_queue()
        self.press.submit(self._export, jobs, stops)

    def stop_writing(self) -> None:
        """Take what waits out of the queue; the picture being written is finished."""
        with self._lock:
            self._stops += 1
            self.queue = {name: state for name, state in self.queue.items() if state != "waiting"}
        self._told_queue()

    def _told_queue(self) -> None:
        self.tell("queue", queue=dict(self.queue), done=self.done_views())

    def _export(self, jobs: dict[str, Job], stops: int) -> None:
        from clerestory.finish.folder import finish_jobs

        def told(done: Done) -> None:
            with self._lock:
                self.queue[done.view] = "done" if done.account is not None else f"failed: {done.reason}"
                following = next((n for n in jobs if self.queue.get(n) == "waiting"), None)
                if following and self._stops == stops:
                    self.queue[following] = "writing"
            self._told_queue()
            if self._stops != stops:
                raise BrokenOff

        try:
            with self.when_free(lambda: self._broken_off(stops)) as mine:
                if not mine:
                    return
                with self._lock:
                    self.queue[next(iter(jobs))] = "writing"
                self._told_queue()
                self.visit.pictures.mkdir(exist_ok=True)
                with contextlib.suppress(BrokenOff):
                    finish_jobs(list(jobs.values()), 1, told)
                if any(self.queue.get(name) == "done" for name in jobs):
                    self._report()
        except Exception as problem:
            if isinstance(problem, OSError):
                problem = in_words(Path(problem.filename or self.visit.pictures), problem)
            if not isinstance(problem, UserError):
                log.exception("writing pictures")
            for name in jobs:
                if self.queue.get(name, "done") not in ("done",) and not self.queue[name].startswith("failed"):
                    self.queue[name] = f"failed: {problem}"
            self._told_queue()

    def _broken_off(self, stops: int) -> bool:
        with self._lock:
            return self._stops != stops

    @contextlib.contextmanager
    def when_free(
        self, broken_off: Callable[[], bool], on_hold: Callable[[str], None] | None = None
    ) -> Iterator[bool]:
        """Hold the visit for writing, once whoever holds it is done; False where it is broken off before that.
        `on_hold` hears whom it waits for, and '' when that is over."""
        with contextlib.ExitStack() as held:
            while True:
                if broken_off():
                    yield False
                    return
                try:
                    held.enter_context(self.visit.writing("finish", PATIENCE))
                    break
                except Taken as problem:
                    said = f"waiting for {problem.holder or 'another process'}"
                    self.tell("held", said=said)
                    if on_hold is not None:
                        on_hold(said)
            self.tell("held", said="")
            if on_hold is not None:
                on_hold("")
            yield True

    def _report(self) -> None:
        """The report and the contact sheet anew."""
        from clerestory.finish.folder import report_again

        failed = [(n, s.removeprefix("failed: ")) for n, s in self.queue.items() if s.startswith("failed")]
        try:
            self.away("the report", report_again, self.root, [v.name for v in self.table.views], failed)
        except (UserError, OSError) as problem:
            self.tell("trouble", key="report", said=f"The report could not be written: {problem}")
        else:
            self.tell("solved", key="report")
        self.tell("written")


def _merging(view: View) -> str:
    return f"merging {len(view.frames)} frames of {view.name}"


def _written(record: Path) -> tuple[tuple[Any, ...], tuple[Any, ...]]:
    """The aspects and kinds of file that a view's account names; none where there is none."""
    from clerestory.finish.job import SUFFIX

    try:
        aspects = json.loads(record.read_text(encoding="utf-8"))["aspects"]
        names = [file["name"] for aspect in aspects.values() for file in aspect["files"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return (), ()
    ended = [next((kind for kind, suffix in SUFFIX.items() if name.endswith(suffix)), None) for name in names]
    kinds = tuple(kind for kind in SUFFIX if kind in ended)
    return tuple(None if aspect == "own" else aspect for aspect in aspects), kinds


def _set_elsewhere(view: str, moved: Mapping[str, Any]) -> str:
    names = " and ".join(name.replace("_", " ") for name in moved)
    return f"{view}: {names} was set in another window meanwhile; keep which?"
