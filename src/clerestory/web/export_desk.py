"""What the export page does: sets kept in exports.toml, the names they give, and a queue that tells how far it is."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clerestory.errors import Mistakes, UserError
from clerestory.files.store import in_words
from clerestory.run.progress import BrokenOff
from clerestory.visit.about import read_abouts
from clerestory.visit.index import plain_name
from clerestory.web.conflict import Conflict
from clerestory.web.desk import Desk

if TYPE_CHECKING:
    from clerestory.finish.export import ExportSet, ExportSets
    from clerestory.finish.job import Done, Job

log = logging.getLogger("clerestory.web")
LEFT = ("waiting", "exporting")
SHOWN = 200  # entries of the queue that are told one by one; the rest is counted
_FIRST = ("exporting", "failed", "broken off", "waiting", "done", "kept")  # told before others where not all are


@dataclass
class Entry:
    """One view in the queue. `state`: waiting, exporting, done, kept (it was exported before and still holds), failed
    or broken off; `files` as they lie in exports/; `said` why it failed."""

    number: int
    set: str
    view: str
    state: str = "waiting"
    files: list[str] = field(default_factory=list)
    said: str = ""


class ExportDesk:
    """The export page of one visit."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.queue: list[Entry] = []
        self.held = ""
        self._asked: dict[int, dict[str, Any]] = {}
        self._stops = 0
        self._lock = threading.Lock()

    @property
    def busy(self) -> bool:
        """Whether pictures are being exported or wait for it."""
        return any(entry.state in LEFT for entry in self.queue)

    # ---- sets

    def _sets(self) -> ExportSets:
        from clerestory.finish.export import SETS, ExportSets, sets_of

        text = self.desk.journal.text_of(SETS)
        return ExportSets() if text is None else sets_of(text, self.desk.root / SETS)

    def facts(self) -> dict[str, Any]:
        """Sets with every field, the queue, and what stands in the way of reading the sets."""
        trouble = ""
        sets: list[dict[str, Any]] = []
        try:
            sets = [one.model_dump(mode="json") for one in self._sets().set]
        except Mistakes as problem:
            trouble = str(problem)
        return {"sets": sets, "trouble": trouble, "queue": self._told()}

    def keep(self, values: Mapping[str, Any], was: Mapping[str, Any] | None, former: str = "") -> str:
        """Write a set into exports.toml; its name. `was`: the set as the page knew it, None for a new one; `former`:
        the name it had, where it has another now. `Conflict` where it has been written otherwise since."""
        from clerestory.finish.export import SETS, set_of

        new, sets = set_of(values), self._sets()
        there = sets.find(former or new.name)
        now = there.model_dump(mode="json") if there is not None else None
        if now is not None and now != was and there != new:
            raise Conflict(f"The set {new.name} is there already, and is another than this page knew; keep which?",
                           now=now, yours=new.model_dump(mode="json"))  # fmt: skip
        if former and sets.find(new.name) is None:
            sets = sets.without(former)
        self.desk.journal.commit("export", f"set {new.name}", {SETS: sets.with_set(new).text()})
        self.desk.tell("exports")
        return new.name

    def drop(self, name: str) -> None:
        """Take a set out of exports.toml; what was exported by it stays."""
        from clerestory.finish.export import SETS

        self.desk.journal.commit("export", f"set {name} taken off", {SETS: self._sets().without(name).text()})
        self.desk.tell("exports")

    # ---- what comes of it

    def _jobs(self, asked: ExportSet, chosen: Sequence[str]) -> list[Job | Done]:
        from clerestory.finish.folder import export_jobs
        from clerestory.plan.taken import planned_aspects

        desk = self.desk
        views = [desk.view(view.name) for view in desk.table.views]
        days = {}
        for view in views:
            row = desk.table.frames.get(plain_name(view.pick))
            if row is not None and row.time:
                days[view.name] = row.time[:10]
        planned = planned_aspects(desk.root, views, read_abouts(desk.visit.about))
        return list(export_jobs(views, desk.root, asked, days, set(chosen), planned))

    def names(self, values: Mapping[str, Any], views: Sequence[str]) -> dict[str, Any]:
        """What files an export would write: how many, and the names of the first view's."""
        from clerestory.finish.export import set_of
        from clerestory.finish.job import Job, file_name

        found = [j for j in self._jobs(set_of(values), views) if isinstance(j, Job)]
        each = [[file_name(j.stem, a or "own", k) for a in j.order.aspects for k in j.order.kinds] for j in found]
        return {"files": sum(map(len, each)), "first": each[0] if each else [],
                "folder": f"exports/{set_of(values).name}"}  # fmt: skip

    # ---- the queue

    def _told(self) -> dict[str, Any]:
        with self._lock:
            states = [entry.state for entry in self.queue]
            told = sorted(sorted(self.queue, key=lambda e: _FIRST.index(e.state))[:SHOWN], key=lambda e: e.number)
            counts = {
                "all": len(states),
                "left": sum(state in LEFT for state in states),
                "ended": states.count("done") + states.count("kept"),
                "failed": states.count("failed"),
                "open": states.count("failed") + states.count("broken off"),
            }
            return {"entries": [asdict(entry) for entry in told], "counts": counts, "held": self.held}

    def _tell(self) -> None:
        self.desk.tell("exporting", **self._told())

    def export(self, values: Mapping[str, Any], views: Sequence[str]) -> None:
        """Put views into the queue, to be exported as a set asks. UserError where nothing is chosen."""
        from clerestory.finish.export import set_of
        from clerestory.finish.job import Job

        asked = set_of(values)
        wanted = [name for name in dict.fromkeys(views) if self.desk.table.view(name)]
        if not wanted:
            raise UserError("Choose at least one view to export.")
        items = self._jobs(asked, wanted)
        jobs: dict[int, Job] = {}
        with self._lock:
            self.queue = [e for e in self.queue if e.state in LEFT or e.set != asked.name or e.view not in wanted]
            start = max((e.number for e in self.queue), default=0) + 1
            for number, item in enumerate(items, start):
                if isinstance(item, Job):
                    self.queue.append(Entry(number, asked.name, item.view.name))
                    jobs[number] = item
                else:
                    self.queue.append(Entry(number, asked.name, item.view, "failed", said=item.reason))
                self._asked[number] = dict(values)
            stops = self._stops
        self._tell()
        if jobs:
            self.desk.press.submit(self._work, jobs, stops)

    def again(self) -> None:
        """Try again what failed or was broken off, each as it was asked for."""
        with self._lock:
            found = [(e.view, self._asked[e.number]) for e in self.queue if e.state in ("failed", "broken off")]
        for values in {json.dumps(v, sort_keys=True): v for _, v in found}.values():
            self.export(values, [view for view, asked in found if asked == values])

    def stop(self) -> None:
        """Break off what waits; the view under way is finished, since half of it would have to be done anew."""
        with self._lock:
            self._stops += 1
            for entry in self.queue:
                if entry.state == "waiting":
                    entry.state = "broken off"
        self._tell()

    def clear(self) -> None:
        """Take off the list what has ended; the files stay."""
        with self._lock:
            self.queue = [e for e in self.queue if e.state in LEFT]
        self._tell()

    def _set(self, number: int, state: str, said: str = "", files: Sequence[str] = ()) -> None:
        with self._lock:
            for entry in self.queue:
                if entry.number == number and entry.state != "broken off":
                    entry.state, entry.said, entry.files = state, said, list(files)

    def _broken_off(self, stops: int) -> bool:
        with self._lock:
            return self._stops != stops

    def _on_hold(self, said: str) -> None:
        self.held = said
        self._tell()

    def _work(self, jobs: dict[int, Job], stops: int) -> None:
        from clerestory.finish.folder import export_all

        number_of = {job.view.name: number for number, job in jobs.items()}
        ahead = list(jobs)

        def told(done: Done) -> None:
            number = number_of[done.view]
            ahead.remove(number)
            if done.account is None:
                self._set(number, "failed", done.reason)
            else:
                files = [f["name"] for a in done.account["aspects"].values() for f in a["files"]]
                self._set(number, "kept" if done.kept else "done", files=files)
            if self._broken_off(stops):
                self._tell()
                raise BrokenOff
            if ahead:
                self._set(ahead[0], "exporting")
            self._tell()

        try:
            with self.desk.when_free(lambda: self._broken_off(stops), self._on_hold) as mine:
                if not mine:
                    return
                self._set(ahead[0], "exporting")
                self._tell()
                export_all(list(jobs.values()), 1, told)
        except BrokenOff:
            pass
        except Exception as problem:
            said = str(in_words(Path(problem.filename or "exports"), problem)) if isinstance(problem, OSError) else ""
            if isinstance(problem, UserError):
                said = str(problem)
            if not said:
                log.exception("exporting")
                said = f"A fault of ours ({type(problem).__name__}); what was exported before is whole."
            for number in ahead:
                self._set(number, "failed", said)
        self._tell()
