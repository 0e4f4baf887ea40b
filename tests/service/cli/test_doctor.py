"""Whether an installation is in order."""

import json
import socket


def found(run):
    return {row["what"]: row for row in json.loads(run.out)}


def test_a_fresh_installation_is_in_order(combwright, tmp_path, monkeypatch):
    monkeypatch.setenv("COMBWRIGHT_HOME", str(tmp_path / "home"))
    run = combwright("doctor", "--json", "--port", "65001")
    looked = found(run)
    assert looked.keys() >= {
        "python", "combwright", "torch", "home", "disk", "records", "photos", "backup", "clock",
        "model", "port",
    }  # fmt: skip
    assert all(row["good"] for what, row in looked.items() if what != "disk"), looked
    again = found(combwright("doctor", "--json", "--port", "65001"))
    assert again["rights"]["said"] == "open to its owner alone"


def test_what_is_wrong_is_told_and_ends_with_1(combwright, tmp_path, monkeypatch):
    home = tmp_path / "home"
    monkeypatch.setenv("COMBWRIGHT_HOME", str(home))
    (home / "photos" / "ab").mkdir(parents=True)
    (home / "photos" / "ab" / f"ab{'0' * 62}.jpg").write_bytes(b"somebody's")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        run = combwright("doctor", "--json", "--port", taken.getsockname()[1])
    looked = found(run)
    assert run.code == 1
    assert not looked["photos"]["good"]
    assert not looked["port"]["good"]
    monkeypatch.setenv("COMBWRIGHT_DATABASE", f"sqlite:///{home / 'broken.sqlite3'}")
    (home / "broken.sqlite3").write_bytes(b"no database" * 100)
    broken = found(combwright("doctor", "--json"))
    assert not broken["records"]["good"]
    assert "isn't a store" in broken["records"]["said"] or broken["records"]["said"]
