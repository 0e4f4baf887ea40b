"""Where the command line begins: the user's numbers and language, and errors in one line.

Exit 2 for a usage error, 1 if any input failed (the others are still done), 0 otherwise. Commands
that need no network import no torch.
"""

from __future__ import annotations

import sys
from typing import Any

from service.cli import access, breeding, notes, opinions, photos, records, serve
from service.cli.shared import app, say
from service.errors import Expected
from service.settings import from_environment, use_numbers
from service.wording.language import speak
from service.wording.sentences import say as in_words

__all__ = ["access", "app", "breeding", "main", "notes", "opinions", "photos", "records", "serve"]


def main(arguments: list[str] | None = None) -> None:
    """Run the command: errors become one line and an exit code."""
    code: Any
    try:
        settings = from_environment()
        speak(settings.language)
        use_numbers(settings)
        code = app(args=arguments, standalone_mode=False, prog_name="combwright")
    except KeyboardInterrupt:
        say("stopped")
        sys.exit(130)
    except Expected as error:
        say(in_words(error))
        sys.exit(error.exit_code)
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error found by the option parser
            say(f"{error.format_message()} (see combwright --help)")
            sys.exit(2)
        if type(error).__name__ == "Exit":
            sys.exit(getattr(error, "exit_code", 1))
        if isinstance(error, ImportError | OSError):
            say(str(error))
            sys.exit(1)
        raise
    sys.exit(code if isinstance(code, int) else 0)
