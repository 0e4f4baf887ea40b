"""Make a version: its number where it stands, its day in the changelog, a commit and a tag.

    python docs/release.py 0.2.0

Refused with anything uncommitted, for a number that isn't above the last one, and for a changelog
that says nothing of what is new. Nothing is pushed.
"""

from __future__ import annotations

import argparse
import re
import subprocess
from datetime import date
from pathlib import Path

from packaging.version import InvalidVersion, Version

ROOT = Path(__file__).parent.parent
NUMBERED = {
    "pyproject.toml": re.compile(r'(?m)^(version = ")([^"]+)(")$'),
    "CITATION.cff": re.compile(r"(?m)^(version: )(\S+)()$"),
}


def dated(changelog: str, version: str, day: date) -> str:
    """Return a changelog whose unreleased part is that of a version. Raises ValueError."""
    head, found, rest = changelog.partition("## Unreleased\n")
    if not found or not rest.lstrip().startswith("-"):
        raise ValueError("the changelog says nothing of what is new")
    return f"{head}## Unreleased\n\n## {version} ({day.isoformat()})\n{rest}"


def numbered(text: str, pattern: re.Pattern[str], version: str) -> str:
    """Return a file's text with another version. Raises ValueError unless it is a later one."""
    (match,) = pattern.finditer(text)
    try:
        later = Version(version) > Version(match.group(2))
    except InvalidVersion:
        raise ValueError(f"{version} isn't a version number") from None
    if not later:
        raise ValueError(f"{version} isn't above {match.group(2)}")
    return pattern.sub(rf"\g<1>{version}\g<3>", text)


def main() -> None:
    """Write, commit and tag."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("version")
    version = parser.parse_args().version

    def git(*words: str) -> str:
        command = ["git", "-C", str(ROOT), *words]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout  # noqa: S603

    if git("status", "--porcelain"):
        raise SystemExit("something isn't committed")
    try:
        texts = {
            name: numbered((ROOT / name).read_text(encoding="utf-8"), pattern, version)
            for name, pattern in NUMBERED.items()
        }
        changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
        texts["CHANGELOG.md"] = dated(changelog, version, date.today())
    except ValueError as error:
        raise SystemExit(str(error)) from None
    for name, text in texts.items():
        (ROOT / name).write_text(text, encoding="utf-8")
    git("commit", "--all", "--message", f"Version {version}")
    git("tag", "--annotate", f"v{version}", "--message", f"Version {version}")
    print(f"v{version}")


if __name__ == "__main__":
    main()
