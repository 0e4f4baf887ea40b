"""The keeper's day: that of the machine which keeps the records, at every door alike."""

from __future__ import annotations

from datetime import date, datetime, time


def today() -> date:
    """Return the day by the machine's own clock and zone."""
    return date.today()


def start_of(day: date) -> datetime:
    """Return the moment at which a day begins here."""
    return datetime.combine(day, time()).astimezone()
