"""Long lists for programs, some at a time: the same two words and the same headers everywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Query, Request, Response

from service.records.limits import MOST_INTEGER

USUAL, MOST = 100, 1000


@dataclass(frozen=True)
class Slice:
    """Which part of a list is wanted."""

    start: int
    count: int

    def told(self, request: Request, response: Response, total: int) -> None:
        """Say how long the whole list is, and where it goes on (RFC 8288)."""
        response.headers["X-Total-Count"] = str(total)
        links = []
        for name, start in (("prev", self.start - self.count), ("next", self.start + self.count)):
            if (name == "prev" and self.start > 0) or (name == "next" and start < total):
                url = request.url.include_query_params(start=max(0, start), count=self.count)
                links.append(f'<{url.path}?{url.query}>; rel="{name}"')
        if links:
            response.headers["Link"] = ", ".join(links)


def wanted(
    start: Annotated[
        int, Query(ge=0, le=MOST_INTEGER, description="How many to leave out first.")
    ] = 0,
    count: Annotated[int, Query(ge=1, le=MOST, description="How many to give at most.")] = USUAL,
) -> Slice:
    """Return the part of a list that a request asks for."""
    return Slice(start, count)


Wanted = Annotated[Slice, Depends(wanted)]
