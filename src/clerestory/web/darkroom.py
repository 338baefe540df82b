"""The views held open, for as many as memory is spent on."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable

from clerestory.raw.group import View
from clerestory.web.preview import OpenView

OPEN_AT_ONCE = 3  # views held in memory, some 150 MB each at 20 megapixels


class Darkroom:
    """The views held open, the last used kept."""

    def __init__(self) -> None:
        self._open: OrderedDict[str, OpenView] = OrderedDict()
        self._opening: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()

    def at_hand(self, view: View) -> OpenView | None:
        """The view if it is open and still the same frames."""
        with self._lock:
            found = self._open.get(view.name)
            if found is None or found.view != view:
                return None
            self._open.move_to_end(view.name)
            return found

    def open(self, view: View, on_stage: Callable[[str], None]) -> OpenView:
        """The view, its pick read if it is not open yet; two askers read it once."""
        with self._lock:
            gate = self._opening.setdefault(view.name, threading.Lock())
        with gate:
            return self.at_hand(view) or self.put(OpenView.of(view, on_stage))

    def put(self, opened: OpenView) -> OpenView:
        """Hold a view open, in place of what was held of it; the one longest unused is let go."""
        with self._lock:
            self._open[opened.view.name] = opened
            self._open.move_to_end(opened.view.name)
            while len(self._open) > OPEN_AT_ONCE:
                self._open.popitem(last=False)
        return opened
