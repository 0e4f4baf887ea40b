"""Break thirty lines one after the other and say which of them no test of `make check` notices.

    python -m benchmarks.mutants [--file benchmarks/mutants.toml] [--all-tests]

Each mutant is made in a copy of the working tree; the tree itself is never changed.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent
PYTEST = ["-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-m", "not browser and not slow"]


def noticed(tree: Path, tests: list[str]) -> bool:
    """Whether some of these tests fail in a tree."""
    done = subprocess.run(
        [sys.executable, *PYTEST, *tests], cwd=tree, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f"pytest ended with {done.returncode}:\n{done.stdout[-2000:]}")
    return done.returncode != 0


def main() -> None:
    """Try all; exit 1 if more than two go unnoticed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--file", type=Path, default=Path(__file__).with_suffix(".toml"))
    parser.add_argument(
        "--all-tests", action="store_true", help="Try those that the first tests miss on all tests."
    )
    args = parser.parse_args()
    mutants = tomllib.loads(args.file.read_text(encoding="utf-8"))["mutant"]
    missed = []
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        kept = ("genetics", "classifier", "service", "tests", "benchmarks", "demo_images")
        for name in kept:
            shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "DEVELOPERS.md", "README.md"):
            shutil.copy(ROOT / name, tree / name)
        for number, mutant in enumerate(mutants, start=1):
            path = tree / mutant["file"]
            text = path.read_text(encoding="utf-8")
            if text.count(mutant["old"]) < 1:
                raise SystemExit(f"{mutant['file']}: {mutant['old']!r} isn't there any more")
            path.write_text(text.replace(mutant["old"], mutant["new"], 1), encoding="utf-8")
            found = noticed(tree, mutant["tests"]) or (args.all_tests and noticed(tree, []))
            path.write_text(text, encoding="utf-8")
            if not found:
                missed.append(f"{mutant['file']}: {mutant['new'].strip()}")
            print(f"{number:2} {'noticed' if found else 'MISSED'}  {mutant['file']}", flush=True)
    print(f"{len(mutants) - len(missed)} of {len(mutants)} noticed")
    for line in missed:
        print(f"  missed: {line}")
    sys.exit(len(missed) > 2)


if __name__ == "__main__":
    main()
