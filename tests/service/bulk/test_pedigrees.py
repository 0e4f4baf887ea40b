"""Candidates of long lists: the same answers as the whole, in one file, whatever the parts."""

import json
import os
import signal
import sys
from datetime import date

import pandas
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchmarks.flocks import mendelian_list
from service.answers.refresh import answers, refresh
from service.bulk.candidate_table import as_json
from service.bulk.lists import CsvList, open_list
from service.bulk.pedigrees import Way, list_to_file, records_to_file
from service.errors import FlockError, ServiceError, StoreError
from service.flock.candidates import candidates
from service.flock.counts_csv import load_count_rows
from service.flock.flock_csv import parse_flock
from service.installation import open_store
from service.model import training_prior
from service.records.birds import take_in
from service.settings import Settings
from tests.conftest import DEMO

ON = date(2026, 10, 4)


def way(tmp_path, jobs=1, size=200):
    return Way(Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}"), ON, jobs, size)


def without_days(text):
    """A list on which nobody hatched on a day: bands can't have been mixed up."""
    table = pandas.read_csv(pandas.io.common.StringIO(text), dtype=str, keep_default_na=False)
    table["hatched"] = ""
    return table.to_csv(index=False)


def whole(text):
    found = candidates(parse_flock(text), {}, [1 / 6] * 6, ON)
    return {c.bird: json.loads(json.dumps(c.as_json())) for c in found}


def in_file(path):
    return {row["bird"]: as_json(row) for row in pq.read_table(path).to_pylist()}


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_flock_in_parts_has_the_answers_of_the_whole(tmp_path, jobs):
    text = without_days(mendelian_list(900, "half", "pens", 3, 0.03))
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text(text, encoding="utf-8")
    told = []
    birds = list_to_file(open_list(flock), out, way(tmp_path, jobs), told.append, ("", []))
    assert birds == sum(told) == 900
    assert len(told) > 2
    assert in_file(out) == whole(text)


def test_with_days_of_hatching_chances_are_the_same_and_contradictions_are_found(tmp_path):
    text = mendelian_list(900, "half", "pens", 3, 0.03)
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text(text, encoding="utf-8")
    list_to_file(open_list(flock), out, way(tmp_path), lambda birds: None, ("", []))
    parts, one = in_file(out), whole(text)
    for name in ("genotypes", "combs", "crest", "beard"):
        assert {b: c[name] for b, c in parts.items()} == {b: c[name] for b, c in one.items()}
    assert {b for b, c in parts.items() if c["conflict"]} == {
        b for b, c in one.items() if c["conflict"]
    }


def test_a_list_as_parquet_says_the_same(tmp_path):
    text = mendelian_list(120, "half", "pens", 1, 0.03)
    flock, out = tmp_path / "flock.csv", tmp_path / "a.parquet"
    flock.write_text(text, encoding="utf-8")
    typed = pandas.read_csv(flock, dtype={"comb": str}, parse_dates=["hatched"])
    typed["crest"] = typed["crest"].map({"yes": True, "no": False})
    typed.to_parquet(tmp_path / "flock.parquet")  # bands as numbers, days as times
    for name in ("flock.csv", "flock.parquet"):
        list_to_file(open_list(tmp_path / name), out, way(tmp_path), lambda birds: None, ("", []))
        assert in_file(out) == whole(text)
    assert pq.read_table(out)["line"].to_pylist() == list(range(2, 122))


def test_rows_keep_their_lines_and_quotes(tmp_path):
    text = 'bird,notes,sire\n1,"two\nlines, one comma",\n\n2,,1\n"3",plain,1\n'
    kept = CsvList(text, "x")
    rows = list(kept.each())
    import numpy as np

    assert kept.some(np.array([0, 2])) == [rows[0], rows[2]]
    assert rows[0] == (3, ["1", "two\nlines, one comma", ""])
    assert [line for line, _ in rows] == [3, 5, 6]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("bird,comb\n1,rose\n1,pea\n", "line 3"),
        ("bird,comb\n1,rose\n2,purple\n", "line 3"),
        ("bird,sire\n1,\n2,9\n", "line 3"),
        ("bird,comb\n1\n", "line 2"),
        ("bird,comb\n,rose\n", "line 2"),
        ("comb\nrose\n", "line 1"),
        ("", "empty"),
    ],
)
def test_mistakes_are_those_of_the_short_way_and_nothing_is_written(tmp_path, text, says):
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text(text, encoding="utf-8")
    with pytest.raises(FlockError) as short:
        parse_flock(text, str(flock))
    with pytest.raises(FlockError) as long:
        list_to_file(open_list(flock), out, way(tmp_path, 2), lambda birds: None, ("", []))
    assert str(long.value) == str(short.value)
    assert says in str(long.value)
    assert not list(tmp_path.glob("*out.parquet*"))


def test_counted_chicks_bind_their_parents(tmp_path):
    text = "bird,sex,comb\n1,cock,walnut\n2,hen,single\n3,hen,single\n"
    counts = "sire,dam,comb,chicks\n1,2,walnut,3\n1,2,single,4\n"
    flock, counted, out = (tmp_path / n for n in ("flock.csv", "counts.csv", "o.parquet"))
    flock.write_text(text, encoding="utf-8")
    counted.write_text(counts, encoding="utf-8")
    rows = load_count_rows(counted)
    list_to_file(
        open_list(flock), out, way(tmp_path, size=1), lambda birds: None, (str(counted), rows)
    )
    # Single chicks of a walnut cock: he carries r+ and p+ (two loci, trade.md's sources).
    assert in_file(out)["1"]["genotypes"]["R/r+ P/p+"] > 0.9
    counted.write_text("sire,dam,comb,chicks\n1,9,walnut,3\n", encoding="utf-8")
    with pytest.raises(FlockError, match="line 2"):
        list_to_file(
            open_list(flock),
            out,
            way(tmp_path, size=1),
            lambda birds: None,
            (str(counted), load_count_rows(counted)),
        )
    assert in_file(out)["1"]["genotypes"]["R/r+ P/p+"] > 0.9  # the file before is still there


def test_birds_on_record_are_worked_out_as_the_pages_do(tmp_path):
    ours = way(tmp_path, 2, 40)
    store = open_store(ours.settings)
    with store.writing("Ann", "list") as session:
        take_in(session, parse_flock(without_days(mendelian_list(160, "half", "pens", 5, 0.03))))
    out = tmp_path / "records.parquet"
    assert records_to_file(store, out, ours, training_prior(), lambda birds: None) == 160
    refresh(store, training_prior(), ON)
    with store.reading() as session:
        kept = {c.bird: json.loads(json.dumps(c.as_json())) for c in answers(session)}
    found = in_file(out)
    assert found.keys() == kept.keys()
    for band, one in kept.items():
        assert found[band]["conflict"] == one["conflict"]
        assert found[band]["genotypes"] == pytest.approx(one["genotypes"], abs=1e-9)


def test_a_process_that_is_killed_is_told_and_leaves_the_file_before(tmp_path, monkeypatch):
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text("bird\n1\n2\n3\n", encoding="utf-8")
    out.write_bytes(b"before")
    from service.bulk import pedigrees
    from service.bulk.processes import in_order

    with pytest.raises(ServiceError) as error:
        pedigrees.write_candidates(in_order(die, [1, 2], 2), out, lambda birds: None)
    assert error.value.code == "process_died"
    assert out.read_bytes() == b"before"
    assert [p.name for p in tmp_path.glob("*.part")] == []


def die(number):
    os.kill(os.getpid(), signal.SIGKILL)


def test_the_command_says_what_it_wrote_and_refuses_what_it_cannot(tmp_path, combwright):
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text("bird,comb\n1,rose\n2,single\n", encoding="utf-8")
    said = combwright("candidates", flock, "--out", out, "--jobs", "1", "--json")
    assert said.lines == [{"file": str(out), "birds": 2, "schema": "written/1"}]
    assert pandas.read_parquet(out)["bird"].tolist() == ["1", "2"]
    bad = combwright("candidates", flock, "--out", tmp_path / "out.csv")
    assert bad.code == 2
    assert "isn't a Parquet file" in bad.err
    (tmp_path / "list.parquet").write_text("no parquet")
    with pytest.raises(FlockError, match="isn't a Parquet file"):
        open_list(tmp_path / "list.parquet")
    with pytest.raises(FlockError, match="no such file"):
        open_list(tmp_path / "lacking.parquet")
    (tmp_path / "dir.parquet").mkdir()
    with pytest.raises(StoreError):
        list_to_file(
            open_list(flock), tmp_path / "dir.parquet", way(tmp_path), lambda b: None, ("", [])
        )


def test_without_arrow_the_command_says_what_to_install(tmp_path, combwright, monkeypatch):
    flock = tmp_path / "flock.csv"
    flock.write_text("bird\n1\n", encoding="utf-8")
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # as where it isn't installed
    for words in (
        ("candidates", flock, "--out", tmp_path / "o.parquet"),
        ("read", DEMO, "--out", tmp_path / "o"),
    ):
        run = combwright(*words)
        assert run.code == 2
        assert "combwright[cluster]" in run.err
    assert not (tmp_path / "o").exists()


def test_an_empty_list_gives_an_empty_file(tmp_path):
    flock, out = tmp_path / "flock.csv", tmp_path / "out.parquet"
    flock.write_text("bird,comb\n", encoding="utf-8")
    assert list_to_file(open_list(flock), out, way(tmp_path), lambda b: None, ("", [])) == 0
    assert pq.read_table(out).num_rows == 0
    pq.write_table(pa.table({"bird": pa.array([], pa.string())}), tmp_path / "e.parquet")
    kept = open_list(tmp_path / "e.parquet")
    assert list_to_file(kept, out, way(tmp_path), lambda b: None, ("", [])) == 0
