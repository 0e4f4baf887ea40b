"""What other programs rely on: `import combwright`."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

import combwright
from genetics.errors import GeneticsError
from service.errors import FlockError
from tests.conftest import DEMO, ROOT


def test_the_demo_flock_is_inferred_as_on_the_command_line(combwright_json):
    found = combwright.infer(DEMO / "flock.csv", on=date(2026, 10, 4))
    assert [c.bird for c in found.values()] == [c["bird"] for c in combwright_json]
    for told, candidate in zip(combwright_json, found.values(), strict=True):
        assert candidate.genotypes == pytest.approx(told["genotypes"], abs=1e-8)


@pytest.fixture
def combwright_json(request):
    import json

    run = request.getfixturevalue("combwright")
    return json.loads(run("candidates", DEMO / "flock.csv", "--on", "2026-10-04", "--json").out)


def test_a_photo_counts_for_its_bird_and_its_relatives():
    reading = combwright.read(DEMO / "21.jpg")
    assert reading.proposal == "rose"
    without = combwright.infer(DEMO / "flock.csv")
    with_photo = combwright.infer(DEMO / "flock.csv", {"21": [reading]})
    assert with_photo["21"].combs["rose"] > without["21"].combs["rose"] + 0.5


def test_a_cross_is_exact_and_mistakes_are_named():
    assert combwright.cross("R/r+ P/p+", "R/r+ P/p+").combs["walnut"] == Fraction(9, 16)
    with pytest.raises(GeneticsError):
        combwright.cross("R/Q", "R/R P/P")
    with pytest.raises(FlockError, match="no row of its own"):
        combwright.infer("bird,sire\n1,2\n")


def test_birds_of_ones_own_are_inferred_without_a_file():
    birds = [combwright.Bird("C", genotype="R/R P/P", sex="cock"), combwright.Bird("1", sire="C")]
    chances = combwright.infer(birds)["1"].genotypes
    assert chances["r+/r+ p+/p+"] < 0.01


def test_importing_it_needs_no_torch_and_a_stray_module_beside_the_user_is_no_matter(tmp_path):
    (tmp_path / "service.py").write_text("raise SystemExit('the wrong service')\n")
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); import combwright; "
        "combwright.cross('R/R P/P', 'r+/r+ p+/p+'); print('torch' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.stdout.strip(), done.returncode) == ("False", 0), done.stderr
    script = subprocess.run(
        [
            str(Path(sys.executable).parent / "combwright"),
            "cross",
            "R/R P/P",
            "r+/r+ p+/p+",
            "--json",
        ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert script.returncode == 0, script.stderr
