"""Learning beside the pages: begun, watched and stopped, one at a time in a server."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from service.actions.desk import Desk
from service.actions.learning import learn
from service.errors import Clash, Expected
from service.settings import Settings
from service.wording.sentences import Coded, Message

if TYPE_CHECKING:
    from classifier.reader import Reader


class Stopped(Exception):
    """Somebody wants no more of it."""


@dataclass(frozen=True)
class Progress:
    """How far learning has come."""

    running: bool = False
    done: int = 0
    steps: int = 0
    name: str = ""
    """Of what was learned last."""
    trouble: Coded | None = None
    """Why nothing came of it."""

    @property
    def share(self) -> float:
        """How far, 0 to 1."""
        return self.done / self.steps if self.steps else 0.0


class LearningRun:
    """The one run of a server; what was looked at is kept, so that a stopped one goes on there."""

    def __init__(self) -> None:
        self.progress = Progress()
        self._turn = threading.Lock()
        self._stop = threading.Event()

    def begin(self, desk: Desk, settings: Settings, reader: Reader) -> None:
        """Begin to learn; returns at once. Raises Clash if it runs already."""
        with self._turn:
            if self.progress.running:
                raise Clash("learning_already")
            self._stop.clear()
            self.progress = Progress(running=True)
        plain = replace(desk, later=None)
        threading.Thread(target=self._run, args=(plain, settings, reader), daemon=True).start()

    def stop(self) -> None:
        """Let it end at the next step; nothing is kept but what was looked at."""
        self._stop.set()

    def _tell(self, done: int, steps: int) -> None:
        if self._stop.is_set():
            raise Stopped
        self.progress = Progress(running=True, done=done, steps=steps)

    def _run(self, desk: Desk, settings: Settings, reader: Reader) -> None:
        try:
            found: dict[str, Any] = learn(desk, settings, reader, self._tell)
        except Stopped:
            self.progress = Progress(trouble=Message("learning_stopped"))
        except Expected as error:
            self.progress = Progress(trouble=error)
        except Exception:
            logging.getLogger(__name__).exception("learning broke off")
            self.progress = Progress(trouble=Message("learning_broke_off"))
        else:
            self.progress = Progress(name=found["name"])
