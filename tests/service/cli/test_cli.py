"""The command line against its contract."""

import csv
import io
import json
import sys

import pytest

from genetics.genotype import NAMES
from tests.conftest import DEMO

COMBS = ["single", "crest_folded_single", "rose", "single_blade_pea", "triple_pea", "walnut"]
PILES = {"settled", "second_look", "new_photo"}


@pytest.fixture(scope="module")
def readings(combwright):
    """JSON lines of four demo photos in a given order."""
    run = combwright("read", *(DEMO / f"{n}.jpg" for n in (25, 50, 2, 45)), "--json")
    assert run.code == 0, run.err
    return run.lines


def test_read_prints_one_object_a_photo_in_input_order(readings):
    assert [r["photo"].rsplit("/", 1)[1] for r in readings] == [
        "25.jpg",
        "50.jpg",
        "2.jpg",
        "45.jpg",
    ]


def test_read_gives_every_field_of_the_contract(readings):
    for reading in readings:
        assert list(reading) == [
            "photo",
            "ok",
            "head",
            "comb",
            "none_of_these",
            "proposal",
            "confidence",
            "plausible",
            "crest",
            "beard",
            "wattles",
            "doubts",
            "pile",
            "model",
            "measures",
            "schema",
        ]
        assert reading["ok"] is True
        assert list(reading["comb"]) == COMBS
        assert sum(reading["comb"].values()) == pytest.approx(1, abs=1e-9)
        for key in ("none_of_these", "confidence", "crest", "beard"):
            assert 0 <= reading[key] <= 1
        assert reading["proposal"] is None or reading["proposal"] in COMBS
        assert set(reading["plausible"]) <= set(COMBS)
        assert reading["plausible"]
        assert reading["pile"] in PILES
        assert set(reading["wattles"]) == {"size", "why_not"}
        assert (reading["wattles"]["size"] is None) == (reading["wattles"]["why_not"] is not None)
        box = reading["head"]["box"]
        assert 0 <= box[0] < box[2] <= 512
        assert 0 <= box[1] < box[3] <= 512
        assert reading["head"]["source"] in {"found", "given", "whole"}
        assert reading["model"].startswith("reader-")


def test_an_empty_photo_gets_no_proposal(readings):
    empty = readings[1]
    assert empty["proposal"] is None
    assert empty["pile"] == "new_photo"
    assert empty["head"]["source"] == "whole"
    assert empty["head"]["box"] == [0, 0, 512, 512]
    assert "no head found" in empty["doubts"][0]


def test_the_chief_doubt_of_a_crested_bird_is_said(readings):
    assert any("single comb that the crest folds" in d for d in readings[0]["doubts"])


def test_a_bearded_birds_wattles_are_not_told(readings):
    assert readings[3]["beard"] > 0.5
    assert readings[3]["wattles"] == {"size": None, "why_not": "beard present"}


def test_given_boxes_are_used(combwright, tmp_path, readings):
    found = readings[2]["head"]["box"]
    text = ",".join(str(round(v)) for v in found)
    one = combwright("read", DEMO / "2.jpg", "--box", text, "--json").lines[0]
    assert one["head"]["source"] == "given"
    assert one["head"]["box"] == [round(v) for v in found]
    (tmp_path / "boxes.csv").write_text(f"photo,x0,y0,x1,y1\n2.jpg,{text}\n")
    run = combwright(
        "read", DEMO / "2.jpg", DEMO / "3.jpg", "--boxes", tmp_path / "boxes.csv", "--json"
    )
    assert [r["head"]["source"] for r in run.lines] == ["given", "found"]
    assert run.lines[0]["comb"] == one["comb"]


def test_a_box_outside_its_photo_fails_that_photo_alone(combwright, tmp_path):
    (tmp_path / "boxes.csv").write_text("photo,x0,y0,x1,y1\n2.jpg,9000,9000,9100,9100\n")
    run = combwright(
        "read", DEMO / "2.jpg", DEMO / "3.jpg", "--boxes", tmp_path / "boxes.csv", "--json"
    )
    assert run.code == 1
    assert [r["ok"] for r in run.lines] == [False, True]


def test_cross_prints_the_contract(combwright):
    run = combwright("cross", "R/r+ P/p+", "r+/r+ p+/p+", "--json")
    answer = json.loads(run.out)
    assert {
        "genotype": "R/r+ P/p+",
        "probability": 0.25,
        "comb": "walnut",
    } in answer["offspring"]
    assert answer["combs"] == {
        "rose": 0.25,
        "single": 0.25,
        "single_blade_pea": 0.25,
        "walnut": 0.25,
    }


def test_candidates_prints_the_contract(combwright):
    run = combwright("candidates", DEMO / "flock.csv", "--json")
    birds = json.loads(run.out)
    with (DEMO / "flock.csv").open() as file:
        assert [b["bird"] for b in birds] == [row["bird"] for row in csv.DictReader(file)]
    for bird in birds:
        assert list(bird)[:5] == ["bird", "genotypes", "combs", "conflict", "ledger"]
        assert bird["method"] == "exact"
        assert list(bird["genotypes"]) == list(NAMES)
        assert sum(bird["genotypes"].values()) == pytest.approx(1, abs=1e-7)
        assert list(bird["combs"]) == COMBS
        assert bird["conflict"] is None
        for line in bird["ledger"]:
            assert set(line) == {"evidence", "says", "likelihood_ratio", "with_over_without"}


@pytest.mark.parametrize("kept", [False, True])
def test_reading_a_photo_opens_no_records(kept, tmp_path, combwright, monkeypatch):
    import subprocess
    import sys

    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COMBWRIGHT_DATABASE", raising=False)
    if kept:  # records without a reader of their own
        assert combwright("import", DEMO / "flock.csv").code == 0
    script = (
        "import sys\n"
        "from service.cli import main\n"
        f"try: main(['read', {str(DEMO / '17.jpg')!r}, '--json'])\n"
        "except SystemExit: pass\n"
        "sys.exit('sqlalchemy' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True)
    assert done.returncode == 0, done.stderr
    assert kept == (tmp_path / "home").exists()


def test_candidates_of_an_f1_are_known_from_its_parents(combwright):
    birds = {
        b["bird"]: b for b in json.loads(combwright("candidates", DEMO / "flock.csv", "--json").out)
    }
    # Cock 1 is R/R P/P on record and hen 2 was read as single: the chick is R/r+ P/p+.
    assert birds["11"]["genotypes"]["R/r+ P/p+"] > 0.9


def test_names_are_printed_as_they_are_written(combwright, tmp_path):
    # Colons and brackets are marks for the library that prints; a name or a fingerprint isn't.
    listed = tmp_path / "flock.csv"
    listed.write_text("bird,comb\n4A:AB:11,single\n:b:[red],single\n", encoding="utf-8")
    printed = combwright("candidates", listed).out
    assert "4A:AB:11" in printed
    assert ":b:[red]" in printed


def test_commands_without_photos_import_no_torch(combwright, tmp_path):
    import subprocess
    import sys

    script = (
        "import sys\n"
        "from service.cli import main\n"
        "try: main(['cross', 'R/r+ P/p+', 'R/r+ P/p+', '--json'])\n"
        "except SystemExit: pass\n"
        "sys.exit('torch' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True)
    assert done.returncode == 0


def test_test_mating_prints_one_object(combwright):
    run = combwright("test-mating", "R/? P/P", "--json")
    answer = json.loads(run.out)
    assert (answer["chicks"], answer["telling_chick"]) == (5, 0.5)
    assert answer["eggs"] > answer["chicks"]
    assert answer["carrier_now"] is None
    scored = json.loads(combwright("test-mating", "R/? P/P", "--scored", "walnut=6", "--json").out)
    assert scored["carrier_now"] < 0.1
    assert sum(scored["genotypes_now"].values()) == pytest.approx(1)


def test_counts_prints_one_object(combwright):
    run = combwright("counts", "R/R P/P", "r+/r+ p+/p+", "walnut=9", "single=1", "--json")
    answer = json.loads(run.out)
    assert (answer["method"], answer["p_value"]) == ("impossible", 0)
    assert answer["better_parents"]
    assert combwright("counts", "R/R P/P", "r+/r+ p+/p+", "walnut=x").code == 2
    assert combwright("test-mating", "r+/r+ P/P").code == 2


def test_plan_prints_all_pairs_best_first(combwright):
    pairs = json.loads(combwright("plan", DEMO / "flock.csv", "--on", "2026-10-04", "--json").out)
    with (DEMO / "flock.csv").open() as file:
        sexes = [row["sex"] for row in csv.DictReader(file)]
    assert len(pairs) == sexes.count("cock") * sexes.count("hen")
    keepers = [round(p["keepers"], 6) for p in pairs]
    assert keepers == sorted(keepers, reverse=True)
    assert combwright("plan", DEMO / "flock.csv", "--goal", "beauty").code == 2


def test_help_is_printed_as_it_looks_with_every_command_under_a_title(combwright):
    told = combwright()
    assert (told.code, told.err) == (0, "")
    assert told.out == combwright("--help").out == combwright("-h").out
    assert "\nGenetics:\n  cross " in told.out
    assert combwright("--version").out.startswith("combwright 0.")


def test_strategies_prints_all_ways_and_the_cheapest(combwright):
    answer = json.loads(combwright("strategies", "--runs", "40", "--json").out)
    names = [s["name"] for s in answer["strategies"]]
    assert names == ["intercross", "back-to-the-walnut", "back-to-the-variety"]
    assert answer["cheapest"] in names
    assert combwright("strategies", "--eggs", "0").code == 2


@pytest.mark.parametrize("group", [(), ("note",)])
def test_every_command_says_in_one_line_what_it_does(combwright, group):
    run = combwright(*group, "--help")
    after = run.out.split("Show this message and exit.")[1].splitlines()
    lines = [line.strip() for line in after if line.startswith("  ")]  # below their titles
    assert len(lines) >= 7
    for line in lines:
        summary = line.split(None, 1)[1]
        assert summary.endswith("."), line
        assert "..." not in line  # it would be cut off
        assert summary[0].isupper()


def test_a_list_may_come_from_standard_input(combwright, monkeypatch):
    def piped(text):
        raw = io.BytesIO(text.encode("utf-8"))
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(raw, encoding="utf-8"))

    text = "bird,sire,dam,sex,comb\nC,,,cock,walnut\nH,,,hen,single\n1,C,H,,single\n"
    piped(text)
    run = combwright("--quiet", "candidates", "-", "--json")
    assert run.code == 0, run.err
    assert {line["bird"] for line in run.lines[0]} == {"C", "H", "1"}
    piped("bird,sire\n1,9\n1,9\n")
    run = combwright("candidates", "-")
    assert run.code == 1
    assert "standard input" in run.err


@pytest.mark.parametrize("variable", ["NUMBERS", "LANGUAGE", "KEEP_ORIGINALS"])
@pytest.mark.parametrize("words", [("--help",), ("read", "-h"), ("--version",), ()])
def test_nothing_in_the_environment_stops_help(combwright, monkeypatch, variable, words):
    monkeypatch.setenv(f"COMBWRIGHT_{variable}", "/nowhere")
    assert combwright(*words).code == 0
    assert combwright("cross", "R/R", "r+/r+").code != 0  # but a command says what is wrong


def test_output_is_utf_8_whatever_the_machine_says(tmp_path):
    """As on a Windows console with code page 1252, or in a pipe there."""
    from service.cli.entry import speak_utf8

    with (tmp_path / "out").open("w", encoding="cp1252") as out:
        before, sys.stdout = sys.stdout, out
        try:
            speak_utf8()
            print("♀ 17 → 5 × „Stall“")
        finally:
            sys.stdout = before
    assert (tmp_path / "out").read_text(encoding="utf-8") == "♀ 17 → 5 × „Stall“\n"


def test_a_photo_may_come_from_standard_input(combwright, monkeypatch):
    def piped(data):
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(data)))
        return combwright("read", "-", "--json")

    by_name = combwright("read", DEMO / "17.jpg", "--json").lines[0]
    assert piped((DEMO / "17.jpg").read_bytes()).lines[0] == by_name | {"photo": "-"}
    for data, code in ((b"", "photo_empty"), (b"no photo at all", "not_a_picture")):
        run = piped(data)
        assert run.code == 1
        assert run.lines[0]["error_code"]["code"] == code
