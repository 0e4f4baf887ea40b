"""Bring the catalogues up to date with what templates and sentences say.

    python -m service.wording.catalogue

Adds new messages to every `.po` file, keeps translations, drops what is no longer said, and prints
what a translator has to do.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from service.wording.language import HERE, LANGUAGES
from service.wording.sentences import templates

SERVICE = HERE.parent.parent
METHODS = [("**/templates/**.html", "jinja2.ext:babel_extract"), ("**.py", "python")]
KEYWORDS: dict[str, Any] = {
    "_": None,
    "gettext": None,
    "ngettext": (1, 2),
    "marked": None,
    "translated": None,
}


def messages() -> Catalog:
    """All messages: of templates and code, and the sentences by code."""
    found = Catalog(project="Combwright", charset="utf-8")
    options = {"**/templates/**.html": {"trimmed": "true", "extensions": "jinja2.ext.i18n"}}
    for name, line, message, _, _ in extract_from_dir(
        SERVICE, METHODS, options_map=options, keywords=KEYWORDS
    ):
        if isinstance(message, tuple):
            message = message[:2]
        found.add(message, locations=[(name, line)])
    for template in templates().values():
        for text in template.values():
            found.add(text, locations=[("messages.toml", 1)])
    return found


def load_catalogue(code: str) -> Catalog:
    """Return a language's catalogue as it is kept."""
    with (HERE / f"{code}.po").open("rb") as file:
        return read_po(file, locale=code)


def main() -> None:
    """Bring every language's catalogue up to date."""
    said = messages()
    for code in LANGUAGES:
        path: Path = HERE / f"{code}.po"
        if code == "en":
            continue
        kept = load_catalogue(code) if path.exists() else Catalog(locale=code, project="Combwright")
        kept.update(said, no_fuzzy_matching=True)
        kept.obsolete.clear()
        with path.open("wb") as file:
            write_po(file, kept, width=100, include_lineno=False, sort_output=True)
        lacking = [m.id for m in kept if m.id and not m.string]
        print(f"{code}: {len(kept)} messages, {len(lacking)} to translate")


if __name__ == "__main__":
    main()
