"""Break lines one after the other and say which of them no test of `make check` notices.

    python -m benchmarks.mutants [--file benchmarks/mutants.toml] [--all-tests]
    python -m benchmarks.mutants --drawn 20 --seed 1 [--all-tests]

The first breaks the lines of a list, the second lines drawn from genetics, evidence and what is
decided with them; some of those mutants mean the same as the line they replace. Each is made in a
copy of the working tree; the tree itself is never changed.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path

from benchmarks.mutations import drawn

ROOT = Path(__file__).parent.parent
PYTEST = ["-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-n", "2"]
PYTEST += ["-m", "not browser and not slow"]


# Where mutants are drawn, and the tests that are run first for each.
FIRST_TESTS = {
    "genetics": ["tests/genetics", "tests/published", "tests/service/flock"],
    "service/flock": ["tests/service/flock"],
}
LIMIT = 900  # seconds; a mutant that never ends is noticed


def noticed(tree: Path, tests: list[str]) -> bool:
    """Whether some of these tests fail in a tree."""
    command = [sys.executable, *PYTEST, *tests]
    try:
        done = subprocess.run(
            command, cwd=tree, capture_output=True, text=True, check=False, timeout=LIMIT
        )
    except subprocess.TimeoutExpired:
        return True
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f"pytest ended with {done.returncode}:\n{done.stdout[-2000:]}")
    return done.returncode != 0


def listed(path: Path) -> Iterator[tuple[str, str, str, list[str]]]:
    """Yield a list's mutants: the file, its text with the line broken, the line, first tests."""
    for mutant in tomllib.loads(path.read_text(encoding="utf-8"))["mutant"]:
        text = (ROOT / mutant["file"]).read_text(encoding="utf-8")
        if mutant["old"] not in text:
            raise SystemExit(f"{mutant['file']}: {mutant['old']!r} isn't there any more")
        broken = text.replace(mutant["old"], mutant["new"], 1)
        yield mutant["file"], broken, mutant["new"].strip(), mutant["tests"]


def at_random(count: int, seed: int) -> Iterator[tuple[str, str, str, list[str]]]:
    """Yield mutants drawn from all modules of `FIRST_TESTS`, as `listed` does."""
    paths = [p for folder in FIRST_TESTS for p in sorted((ROOT / folder).glob("*.py"))]
    for path, line, was, broken in drawn(paths, count, seed):
        name = path.relative_to(ROOT)
        now = f"line {line}, of: {was}"
        yield str(name), broken, now, FIRST_TESTS[name.parent.as_posix()]


def copied(folder: Path) -> Path:
    """Return a copy of the working tree as far as tests need it."""
    for name in ("genetics", "classifier", "service", "tests", "benchmarks", "demo_images"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "DEVELOPERS.md", "README.md"):
        shutil.copy(ROOT / name, folder / name)
    return folder


def main() -> None:
    """Try all; exit 1 if more than two of a list go unnoticed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--file", type=Path, default=Path(__file__).with_suffix(".toml"))
    parser.add_argument("--drawn", type=int, default=0, help="Draw so many instead of the list's.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--all-tests", action="store_true", help="Try those that the first tests miss on all tests."
    )
    args = parser.parse_args()
    mutants = list(at_random(args.drawn, args.seed) if args.drawn else listed(args.file))
    missed = []
    with tempfile.TemporaryDirectory() as folder:
        tree = copied(Path(folder))
        for number, (name, broken, line, tests) in enumerate(mutants, start=1):
            text = (tree / name).read_text(encoding="utf-8")
            (tree / name).write_text(broken, encoding="utf-8")
            found = noticed(tree, tests) or (args.all_tests and noticed(tree, []))
            (tree / name).write_text(text, encoding="utf-8")
            if not found:
                missed.append(f"{name}: {line}")
            print(f"{number:2} {'noticed' if found else 'MISSED '}  {name}: {line}", flush=True)
    print(f"{len(mutants) - len(missed)} of {len(mutants)} noticed")
    for line in missed:
        print(f"  missed: {line}")
    sys.exit(not args.drawn and len(missed) > 2)


if __name__ == "__main__":
    main()
