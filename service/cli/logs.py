"""What goes into the log: what happened and when, never who a bird or a person is."""

from __future__ import annotations

import json
import logging
import sys
import time
from datetime import UTC, datetime

from service.errors import UsageMistake

FORMS = ("text", "json")
SAME_LINE = 60.0  # seconds in which the same line is written once


class AsJson(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return a record as JSON."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
            "said": record.getMessage(),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


class Seldom(logging.Filter):
    """Lets the same line through once a minute, and says how often it came since."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a line is written."""
        if record.exc_info:
            return True
        key, now = str(record.msg)[:200], time.monotonic()
        last, count = self.seen.get(key, (-SAME_LINE, 0))
        if now - last < SAME_LINE:
            self.seen[key] = (last, count + 1)
            return False
        if len(self.seen) > 1000:
            self.seen.clear()
        self.seen[key] = (now, 0)
        if count:
            record.msg, record.args = f"{record.getMessage()} ({count} more since the last)", ()
        return True


def begin_log(form: str = "text") -> None:
    """Write the log to standard error, warnings and worse. Raises UsageMistake."""
    if form not in FORMS:
        raise UsageMistake("unknown_form", form=form, known=FORMS)
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        AsJson() if form == "json" else logging.Formatter("%(asctime)s %(levelname)s %(message)s")
    )
    handler.addFilter(Seldom())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
