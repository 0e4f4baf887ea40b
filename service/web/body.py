"""A request's body as it comes: no more bytes than allowed, and no slower than a phone sends."""

from __future__ import annotations

import asyncio
import time

from starlette.types import Message, Receive

from service.errors import ServiceError, TooLarge

IDLE = 20.0  # seconds without a byte
SLOWEST = 10_000  # bytes a second over the whole, after the first half minute
FIRST = 30.0


class TooSlow(ServiceError):
    """A body that came too slowly."""

    status = 408


class Body:
    """Stands in for an application's `receive` while the body comes."""

    def __init__(self, receive: Receive, most: int) -> None:
        self.inner, self.most = receive, most
        self.begun, self.came, self.complete = time.monotonic(), 0, False

    async def __call__(self) -> Message:
        """Return the next message. Raises TooLarge or TooSlow."""
        if self.complete:
            return await self.inner()  # waits for the visitor to leave
        left = self.begun + FIRST + self.came / SLOWEST - time.monotonic()
        try:
            message = await asyncio.wait_for(self.inner(), max(0.001, min(IDLE, left)))
        except TimeoutError:
            raise TooSlow("body_too_slow") from None
        self.came += len(message.get("body", b""))
        if self.came > self.most:
            raise TooLarge("body_too_large", most=self.most)
        self.complete = not message.get("more_body", False)
        return message
