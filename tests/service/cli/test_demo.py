"""The demo flock's triage against its story in demo_images/README.md."""

import csv

import pytest

from classifier.render.demo import birds
from service.flock.assessment import alike
from tests.conftest import DEMO

SPECIAL = {
    "25": "single comb that the crest folds",
    "46": "single comb that the crest folds",
    "31": "blurred",
    "33": "trimmed",
    "50": "no head found",
    "17": "the bands of 17 and 18 are mixed up",
    "18": "the bands of 18 and 17 are mixed up",
}


@pytest.fixture(scope="module")
def rows(combwright, tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    run = combwright(
        "triage", DEMO, "--flock", DEMO / "flock.csv", "--on", "2026-10-04", "--out", out
    )
    assert run.code == 0, run.err
    page = (out / "triage.html").read_text()
    assert "data:image/jpeg;base64," in page
    assert 'src="http' not in page
    assert 'href="http' not in page
    with (out / "triage.csv").open() as file:
        return {row["bird"]: row for row in csv.DictReader(file)}


def test_every_bird_with_a_photo_is_in_the_table(rows):
    assert set(rows) == {b.band for b in birds()}


@pytest.mark.parametrize(("band", "reason"), SPECIAL.items())
def test_what_is_wrong_is_held_back_with_its_true_reason(rows, band, reason):
    assert rows[band]["pile"] in ("second_look", "new_photo")
    assert reason in rows[band]["reasons"]


def test_at_least_seven_in_ten_of_the_rest_are_settled_and_none_of_them_wrong(rows):
    truth = {b.band: b.comb for b in birds()}
    rest = [r for band, r in rows.items() if band not in SPECIAL]
    settled = [r for r in rest if r["pile"] == "settled"]
    right = [r for r in settled if alike(r["proposal"], truth[r["bird"]])]
    assert len(right) >= 0.7 * len(rest)
    assert len(right) == len(settled)


def test_the_worst_risk_of_a_pile_comes_first(rows):
    for pile in ("second_look", "new_photo", "settled"):
        risks = [float(r["risk"]) for r in rows.values() if r["pile"] == pile]
        assert risks == sorted(risks, reverse=True)
    order = [r["pile"] for r in rows.values()]
    assert order == sorted(order, key=["second_look", "new_photo", "settled"].index)


def test_the_story_never_appears_in_the_list_that_the_tool_reads():
    text = (DEMO / "flock.csv").read_text()
    for word in ("mixed", "blurred", "trimmed", "no bird", "looks like"):
        assert word not in text
