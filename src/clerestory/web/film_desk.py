"""The film page's side of the server: shots with their words, narration, preview."""

from __future__ import annotations

import contextlib
import io
import logging
import math
import re
import threading
import time
import traceback
import wave
from collections.abc import Mapping
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clerestory import api
from clerestory import film as films
from clerestory.errors import UserError
from clerestory.files.mistakes import made
from clerestory.files.names import legal_name
from clerestory.files.store import write_atomic
from clerestory.film import cautions
from clerestory.film.draft import draft_film
from clerestory.film.model import Film, Shot, film_toml
from clerestory.film.scenes import RATE, Plan
from clerestory.film.sound import read_sound
from clerestory.film.speaking import Take, best_of, taken
from clerestory.run import system
from clerestory.visit.journal import Journal
from clerestory.web.conflict import Conflict, check_known
from clerestory.web.paths import LONGEST_TAKE, TAKE_BYTES, names_in, plain_file

if TYPE_CHECKING:
    from clerestory.run.system import Pipe

log = logging.getLogger("clerestory.web")
FILE = "film/film.toml"
EVERY = 0.2  # seconds between what it says
MOST_HEARD = 200  # takes whose measure is kept
_TAKE = re.compile(r"[a-z0-9][a-z0-9_-]{0,79}\.wav")
_CARE = {"recording": cautions.RECORDING, "publishing": cautions.PUBLISHING}
_CALLED = {"words": "narration", "narration": "recording", "seconds": "length", "words_a_minute": "words per minute"}
_OWN_FIELDS = frozenset(Film.model_fields) - {"shots"}


class FilmDesk:
    """The film of one visit."""

    def __init__(self, root: Path, journal: Journal, tell: Any) -> None:
        self.root, self.journal, self.tell = root, journal, tell
        self._making = threading.Lock()
        self._process: BaseProcess | None = None
        self._stopped = False
        self.state: dict[str, Any] = {"state": "idle"}
        self._takes: dict[tuple[str, int, str], Take] = {}

    def _film(self) -> Film | None:
        if not (self.root / FILE).exists() and not (self.root / "film" / "script.md").exists():
            return None
        return films.load_film(self.root)

    def _known(self) -> Film:
        film = self._film()
        if film is None:
            raise UserError("There is no film yet; draft one from the pictures first.")
        return film

    def facts(self) -> dict[str, Any]:
        """The film's shots on their time line; {'there': False} where there is none yet."""
        pictures = names_in(self.root, "pictures", (".jpg", ".jpeg", ".tif", ".tiff"))
        base: dict[str, Any] = {"there": False, "pictures": pictures, "making": self.state, "care": _CARE}
        base |= self._outputs()
        try:
            film = self._film()
            if film is None:
                return base
            base |= {"there": True, **film.model_dump(mode="json")}
        except UserError as problem:
            return base | {"there": True, "shots": [], "unread": str(problem).replace(f"{self.root}/", "")}
        try:
            plan = films.plan_film(self.root)
        except UserError as problem:
            return base | {"there": True, "trouble": str(problem).replace(f"{self.root}/", "")}
        return base | {"seconds": plan.seconds, "notes": plan.notes, "scenes": _scenes(plan)}

    def _outputs(self) -> dict[str, Any]:
        out: dict[str, Any] = {"takes": names_in(self.root, "film/narration", (".wav",))}
        for kind in ("preview", "film", "film-square", "film-upright"):
            path = plain_file(self.root, "film", f"{kind}.mp4")
            out[f"{kind}_made"] = path.stat().st_mtime_ns if path else None
        return out

    # ---- changes

    def draft(self) -> None:
        """A film from the pictures, in order of time."""
        if (self.root / FILE).exists():
            raise UserError("There is a film already; move or delete film/film.toml before you draft a new one.")
        self._put(draft_film(self.root), "film drafted from the pictures")

    def set_shot(
        self, shot: int, values: Mapping[str, Any], gesture: str = "", was: Mapping[str, Any] | None = None
    ) -> None:
        """Change fields of a shot (from 0). `was`: what the page knew of it, its picture with it; see `_check`."""
        film = self._known()
        self._shot(film, shot)
        self._check(f"shot {shot + 1}", film.shots[shot].model_dump(mode="json"), values, was, gesture)
        fields = {**film.shots[shot].model_dump(), **values}
        changed = [*film.shots]
        changed[shot] = made(Shot, fields)
        self._put(film.model_copy(update={"shots": changed}), f"shot {shot + 1}: {_named(values)}", gesture)

    def set_film(self, values: Mapping[str, Any], gesture: str = "", was: Mapping[str, Any] | None = None) -> None:
        """Change the film's own fields: title, subtitle, loudness, words per minute, music, credits."""
        film = self._known()
        self._check("the film", film.model_dump(mode="json"), values, was, gesture)
        if not set(values) <= _OWN_FIELDS:
            raise UserError(f"A film has no such setting; it has {', '.join(sorted(_OWN_FIELDS))}.")
        self._put(made(Film, {**film.model_dump(), **values}), f"film: {_named(values)}", gesture)

    def _check(
        self,
        what: str,
        now: Mapping[str, Any],
        values: Mapping[str, Any],
        was: Mapping[str, Any] | None,
        gesture: str,
    ) -> None:
        """`Conflict` where a field has been set otherwise, or another shot put there, since the page read it."""
        if was is None or (gesture and gesture == self.journal.last_gesture("film")):
            return
        if was.get("picture", now.get("picture")) != now.get("picture"):
            said = "The shots were put in another order elsewhere; the page shows them as they are now."
            raise Conflict(said, yours=dict(values), now={})
        check_known(
            now,
            values,
            was,
            lambda moved: f"{what}: {_named(moved)} was written in another window meanwhile; keep which?",
        )

    def move_shot(self, shot: int, to: int) -> None:
        """Put a shot elsewhere in the order."""
        film = self._known()
        self._shot(film, shot)
        self._shot(film, to)
        shots = [*film.shots]
        shots.insert(to, shots.pop(shot))
        self._put(film.model_copy(update={"shots": shots}), f"shot {shot + 1} moved to position {to + 1}")

    def drop_shot(self, shot: int) -> None:
        """Remove a shot."""
        film = self._known()
        self._shot(film, shot)
        if len(film.shots) == 1:
            raise UserError("A film needs at least one shot.")
        shots = [*film.shots]
        del shots[shot]
        self._put(film.model_copy(update={"shots": shots}), f"shot {shot + 1} removed")

    @staticmethod
    def _shot(film: Film, shot: int) -> None:
        if not isinstance(shot, int) or not 0 <= shot < len(film.shots):
            raise UserError("That shot is no longer in the film.")

    def _put(self, film: Film, said: str, gesture: str = "") -> None:
        text = film_toml(film)
        self.journal.commit("film", said, {FILE: text}, gesture)
        self.tell("film")

    # ---- narration

    def keep_take(self, name: str, data: bytes) -> str:
        """Keep a recording made on the page as film/narration/NAME; returns its path for film.toml.

        Only 16-bit mono PCM WAV at 44.1 or 48 kHz, at most a quarter of an hour, under a plain name.
        """
        if not _TAKE.fullmatch(name):
            raise UserError("A recording's name may have lower-case letters, digits, - and _, and must end in .wav.")
        if legal_name(name) != name:
            raise UserError(f"A recording cannot be named {name}, which means a device on some systems.")
        if len(data) > TAKE_BYTES:
            raise UserError(f"A recording can be {LONGEST_TAKE // 60} minutes long at most.")
        _check_wave(data)
        folder = self.root / "film" / "narration"
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / name
        if any(p.is_symlink() for p in (path, folder, folder.parent)):
            raise UserError(f"{folder} is reached through a link; recordings are saved only inside the visit itself.")
        write_atomic(path, data)
        self.tell("film")
        return f"narration/{name}"

    def takes(self, shot: int) -> dict[str, Any]:
        """The takes recorded for a shot (from 0), oldest first, each held against its words; the best named."""
        film = self._known()
        self._shot(film, shot)
        asked = film.shots[shot]
        names = [name for name in names_in(self.root, "film/narration", (".wav",)) if _is_of(name, asked.picture)]
        if asked.narration and (own := Path(asked.narration)).parts[0] == "narration" and own.name not in names:
            names.append(own.name)
        heard = [(name, take) for name in names if (take := self._heard(name, asked.words)) is not None]
        best = best_of([take for _, take in heard])
        return {
            "shot": shot,
            "takes": [
                {"name": f"narration/{name}", "best": k == best, **_said_of(take)}
                for k, (name, take) in enumerate(heard)
            ],
        }

    def _heard(self, name: str, words: str) -> Take | None:
        path = plain_file(self.root, "film/narration", name)
        if path is None:
            return None
        key = (name, path.stat().st_mtime_ns, words)
        if key not in self._takes:
            try:
                self._takes[key] = taken(read_sound(path), words)
            except UserError:
                return None
            while len(self._takes) > MOST_HEARD:
                del self._takes[next(iter(self._takes))]
        return self._takes[key]

    def one_take(self, name: str) -> None:
        """Use one recording for all the words of the film, split at its silences; shots let go of their own."""
        film = self._known()
        if plain_file(self.root, "film", name) is None and not (
            name.startswith("narration/") and plain_file(self.root, "film/narration", name.removeprefix("narration/"))
        ):
            raise UserError(f"There is no recording {name}.")
        shots = [shot.model_copy(update={"narration": ""}) for shot in film.shots]
        self._put(film.model_copy(update={"narration": name, "shots": shots}), "film: narration in one go")

    # ---- making

    def make(self, preview: bool, shape: str = "wide") -> None:
        """Make the preview or the film in the background, in a process of its own: no control waits for it.

        `shape`: of the film: wide, square or upright.
        """
        self._known()
        if not self._making.acquire(blocking=False):
            raise UserError("A film is already being made; wait for it, or cancel it.")
        here, there = system.SPAWN.Pipe(duplex=False)
        self._process = system.SPAWN.Process(
            target=_make, args=(self.root, preview, shape, there), name="clerestory-film", daemon=True
        )
        self._stopped = False
        what = "preview" if preview else "film"
        self._say(state="making", what=what, done=0, total=0)
        self._process.start()
        there.close()
        threading.Thread(target=self._follow, args=(what, here, self._process), daemon=True).start()

    def stop(self) -> None:
        """Break off the making; the parts made so far are kept, and the next making goes on from them."""
        if self._process is not None:
            self._stopped = True
            self._process.terminate()

    def _follow(self, what: str, heard: Pipe, process: BaseProcess) -> None:
        """Pass on what the making says until it ends."""
        last: dict[str, Any] = {}
        with contextlib.suppress(EOFError, OSError):
            while True:
                last = heard.recv()
                if fault := last.pop("fault", ""):
                    log.error("making the %s\n%s", what, fault)
                self._say(what=what, **last)
        process.join()
        self._process = None
        if last.get("state") not in ("made", "failed"):
            said = f"The {what} could not be made: the process making it stopped (out of memory?); try again."
            self._say(state="stopped" if self._stopped else "failed", what=what, said="" if self._stopped else said)
        self._making.release()
        self.tell("film")

    def _say(self, **facts: Any) -> None:
        self.state = facts
        self.tell("making", **facts)


def _make(root: Path, preview: bool, shape: Any, tell: Pipe) -> None:
    """Make a film and say how it goes, a few times a second. A process of its own; ends when nobody listens."""
    system.leave_interrupt_to_parent()
    system.let_others_first()
    said = 0.0

    def on_progress(_: str, done: int, total: int | None) -> None:
        nonlocal said
        if time.monotonic() - said > EVERY or done == total:
            said = time.monotonic()
            tell.send({"state": "making", "done": done, "total": total})

    try:
        result = api.make_film(root, preview=preview, on_progress=on_progress, shape=shape)
        tell.send(
            {
                "state": "made",
                "seconds": result.seconds,
                "length": result.length,
                "notes": [*result.warnings, *result.cautions],
            }
        )
    except UserError as problem:
        tell.send({"state": "failed", "said": str(problem)})
    except BrokenPipeError:
        return
    except Exception as problem:
        said_of_it = f"It could not be made because of a fault in Clerestory ({type(problem).__name__})."
        tell.send({"state": "failed", "said": said_of_it, "fault": traceback.format_exc()})


def stem_of(picture: str) -> str:
    """How the takes of a picture's shots begin: the page names them so."""
    plain = re.sub(r"[^a-z0-9_-]+", "-", re.sub(r"\.[^.]+$", "", picture.lower()))
    return re.sub(r"^[^a-z0-9]+", "", plain)[:50] or "shot"


def _is_of(name: str, picture: str) -> bool:
    """Whether a recording was made for a picture: STEM-TIME.wav, the time in base 36."""
    return re.fullmatch(re.escape(stem_of(picture)) + r"-[0-9a-z]{6,10}\.wav", name) is not None


def _said_of(take: Take) -> dict[str, Any]:
    """What the page shows of a take; what is not finite is left out."""
    return {
        "seconds": round(take.end - take.begin, 1),
        "pace": round(take.pace),
        "level": round(take.level, 1) if math.isfinite(take.level) else None,
        "peak": round(take.peak, 1) if math.isfinite(take.peak) else None,
        "faults": list(take.faults),
        "marks": [[mark.first, mark.last, mark.said] for mark in take.marks],
    }


def _named(values: Mapping[str, Any]) -> str:
    """Fields of a shot or a film as the page calls them."""
    return ", ".join(_CALLED.get(name, name.replace("_", " ")) for name in values)


def _check_wave(data: bytes) -> None:
    try:
        with contextlib.closing(wave.open(io.BytesIO(data))) as sound:
            form = sound.getnchannels(), sound.getsampwidth(), sound.getframerate(), sound.getnframes()
    except (wave.Error, EOFError) as problem:
        raise UserError("This is not a WAV recording; nothing was saved.") from problem
    channels, width, rate, frames = form
    if channels != 1 or width != 2 or rate not in (44_100, 48_000):
        raise UserError("A recording must be 16-bit mono WAV at 44.1 or 48 kHz; nothing was saved.")
    if not 0.2 * rate <= frames <= LONGEST_TAKE * rate or len(data) < 44 + 2 * frames:
        raise UserError("The recording is empty, cut short or too long; nothing was saved.")


def _scenes(plan: Plan) -> list[dict[str, Any]]:
    return [
        {
            "label": s.label,
            "shot": s.number - 1,
            "start": s.start / RATE,
            "seconds": s.frames / RATE,
            "card": s.label if s.card is not None else None,
            "caption": s.caption,
            "settings": s.settings,
            "speech": [s.speech.start, s.speech.seconds, s.speech.recording is not None] if s.speech else None,
        }
        for s in plan.scenes
    ]
