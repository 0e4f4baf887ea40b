"""The errors of the service: one family, each with what happened, where, and what to do.

A door asks an error for its sentence (`service.wording.sentences.say`), its exit code and its
HTTP status, and needs to know no error by name.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from classifier.errors import ClassifierError
from genetics.errors import GeneticsError
from genetics.messages import Place
from service.wording.sentences import Message, say


class ServiceError(Exception):
    """Base: a code of `service/wording/messages.toml` with its values, and where, if in a file."""

    exit_code = 1
    status = 422

    def __init__(self, code: str, /, *, place: Place | None = None, **values: Any) -> None:
        super().__init__(code)
        self.code, self.place, self.values = code, place, values

    @property
    def message(self) -> Message:
        """What happened, as data."""
        return Message(self.code, **self.values)

    def __str__(self) -> str:
        return say(self)


class UsageMistake(ServiceError):
    """A command or form that can't be done as it was given."""

    exit_code = 2


class FlockError(ServiceError):
    """A flock list that can't be used; the place names line and column."""


class ListProblems(FlockError):
    """Several mistakes in one list, each with its place."""

    def __init__(self, problems: Sequence[FlockError]) -> None:
        super().__init__("list_problems", number=len(problems), first=problems[0])
        self.problems = tuple(problems)


class BoxError(UsageMistake):
    """A box or a table of boxes that can't be used."""


class BatchError(ServiceError):
    """A batch that can't be sorted at all."""


class StoreError(ServiceError):
    """Records or files that can't be used as asked: locked, full, damaged, missing."""

    status = 503


class Refusal(StoreError):
    """An act that doesn't fit the records; nothing of it was written."""

    status = 422


class NotFound(Refusal):
    """A bird, photo, pen, hatch or act that isn't on record."""

    status = 404


class Clash(Refusal):
    """An act that something later stands in the way of."""

    status = 409


class Throttled(Refusal):
    """An act that was tried too often."""

    status = 429


class NotSignedIn(ServiceError):
    """Somebody who may not come in without an account."""

    status = 401


class NotAllowed(ServiceError):
    """Somebody whose role doesn't reach so far, or a request from elsewhere."""

    status = 403


class TooLarge(Refusal):
    """A request, a file or a list over its limit."""

    status = 413


# Every error that is meant for the person at the door.
Expected = (GeneticsError, ClassifierError, ServiceError)


def status_of(error: Exception) -> int:
    """Return the HTTP status of an expected error."""
    return error.status if isinstance(error, ServiceError) else 422
