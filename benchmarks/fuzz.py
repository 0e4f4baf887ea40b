"""Broken input to whatever reads files: photos, lists, archives, backups, numbers.

    python -m benchmarks.fuzz [--seconds 600] [--target photo ...] [--seed 1]

Hypothesis bends files that are whole: bits flipped, parts cut, doubled, put in from others, numbers
set to their extremes. Each must be read or refused by an error of ours; anything else is a
finding, which is kept in tests/corpus/, where the tests replay it. Exit 1 on any finding.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import sys
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings
from hypothesis import strategies as st
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent.parent))
from classifier.photo import PhotoError, open_photo
from genetics import numbers
from genetics.cross import cross
from genetics.errors import GeneticsError
from service.errors import FlockError, ServiceError
from service.flock.flock_csv import as_text, connect_list, parse_flock
from service.installation import open_store
from service.records.backup import RECORDS, SUMS, backup, restore
from service.records.database import Store
from service.records.exchange.importing import sheet_from
from service.records.exchange.mapping import Choices, guess_columns, map_sheet
from service.records.exchange.sheets import write_ods, write_xlsx
from service.records.intake import decoding
from service.records.intake.sources import files_of
from service.records.verify import verify
from service.settings import Settings
from tests.conftest import DEMO, ROOT
from tests.service.pictures import jpeg, picture, telling_exif

CORPUS = ROOT / "tests" / "corpus"
OURS = (ServiceError, GeneticsError, PhotoError)
EXTREMES = (b"\x00", b"\xff", b"\x80", b"\x00" * 4, b"\xff" * 4, b"\x7f\xff\xff\xff")
Try = Callable[[bytes], None]


@st.composite
def bent(draw: st.DrawFn, wholes: tuple[bytes, ...]) -> bytes:
    """Return one of some whole files, bent in up to eight places."""
    data = bytearray(draw(st.sampled_from(wholes)))
    for _ in range(draw(st.integers(1, 8))):
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        long = draw(st.integers(1, 64))
        way = draw(st.sampled_from(("flip", "set", "cut", "end", "double", "other", "noise")))
        if way == "flip" and data:
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif way == "set":
            extreme = draw(st.sampled_from(EXTREMES))
            data[at : at + len(extreme)] = extreme
        elif way == "cut":
            del data[at : at + long]
        elif way == "end":
            del data[at:]
        elif way == "double":
            data[at:at] = data[at : at + long] * draw(st.integers(1, 4))
        elif way == "other":
            other = draw(st.sampled_from(wholes))
            start = draw(st.integers(0, max(len(other) - 1, 0)))
            data[at : at + long] = other[start : start + long]
        else:
            data[at : at + long] = draw(st.binary(max_size=long))
    return bytes(data)


def photos() -> tuple[bytes, ...]:
    """Small photos of every format."""
    found = [jpeg(picture(1, (64, 48)), exif=telling_exif())]
    image = picture(2, (64, 48))
    for name, options in (
        ("PNG", {}), ("WEBP", {}), ("GIF", {}), ("BMP", {}), ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}), ("TIFF", {"compression": "jpeg"}), ("HEIF", {}),
    ):  # fmt: skip
        out = io.BytesIO()
        if name == "HEIF":
            import pillow_heif

            pillow_heif.register_heif_opener()
        image.save(out, name, **options)
        found.append(out.getvalue())
    deep = io.BytesIO()
    Image.new("I;16", (64, 48), 40_000).save(deep, "PNG")
    progressive = io.BytesIO()
    image.save(progressive, "JPEG", progressive=True)
    return (*found, deep.getvalue(), progressive.getvalue())


@contextmanager
def photo_target() -> Iterator[tuple[st.SearchStrategy[bytes], Try]]:
    """Photos, as the command line opens them and as they are taken in."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.jpg"

        def run(data: bytes) -> None:
            path.write_bytes(data)
            with suppress(PhotoError):
                open_photo(path)
            decoding.prepare("a.jpg", data, codes=True)

        yield bent(photos()), run


@contextmanager
def list_target() -> Iterator[tuple[st.SearchStrategy[bytes], Try]]:
    """Flock lists as CSV, xlsx and ods."""
    text = (DEMO / "flock.csv").read_text().splitlines()[:6]
    rows = [line.split(",") for line in text]
    wholes = ("\n".join(text).encode(), write_xlsx(rows), write_ods(rows))
    with tempfile.TemporaryDirectory() as folder:

        def run(data: bytes) -> None:
            suffix = ".csv" if data[:2] != b"PK" else ".xlsx" if b"xl/" in data else ".ods"
            path = Path(folder) / f"list{suffix}"
            path.write_bytes(data)
            if suffix == ".csv":
                with suppress(*OURS):
                    parse_flock(as_text(data, "list.csv"))
            sheet = sheet_from(path)
            choices = Choices(guess_columns(sheet.headings))
            with suppress(*OURS):
                map_sheet(sheet, choices)
            problems: list[FlockError] = []
            listed = map_sheet(sheet, choices, problems.append)
            connect_list(listed, "list", told=problems.append)

        yield bent(wholes), run


@contextmanager
def archive_target() -> Iterator[tuple[st.SearchStrategy[bytes], Try]]:
    """ZIP archives of photos."""
    wholes = []
    for way in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", way) as archive:
            archive.writestr("pen 1/a.jpg", jpeg(picture(1, (48, 48))))
            archive.writestr("../b.png", b"no picture")
        wholes.append(out.getvalue())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lot.zip"

        def run(data: bytes) -> None:
            path.write_bytes(data)
            for file in files_of([path])[1]:
                with suppress(*OURS):
                    file.load()

        yield bent(tuple(wholes)), run


def demo_backup(folder: Path) -> tuple[Store, bytes]:
    """Return a store with records of every kind, and its backup."""
    from datetime import date

    from service.actions.desk import Desk
    from service.actions.flock import count_chicks, decide, move_into_pen, note_hatch
    from service.actions.lists import import_list
    from service.actions.observations import note_sighting
    from service.model import training_prior
    from service.records.intake.journal import Options, run
    from service.records.intake.sources import File

    store = open_store(Settings(folder / "home", f"sqlite:///{folder / 'home' / 'flock.sqlite3'}"))
    desk = Desk(store, training_prior(), "Ada", date(2026, 10, 4))
    listed = b"bird,sire,dam,sex,hatched\n1,,,cock,2024-03-01\n2,,,hen,\n3,1,2,,\n"
    import_list(desk, listed, "flock.csv")
    run(store, "lot", [File("1.jpg", lambda: jpeg(picture(1, (64, 64))))], Options(band="3"))
    move_into_pen(desk, "North", ["1", "2"], date(2025, 1, 1))
    note_hatch(desk, "Spring", "North", date(2025, 4, 5), 9, 7, ["3"])
    count_chicks(desk, "1", "2", {"walnut": 3})
    note_sighting(desk, "3", True, False)
    decide(desk, "3", "keep", "sound")
    backup(store, folder / "all.zip")
    return store, (folder / "all.zip").read_bytes()


ODD: tuple[Any, ...] = (
    None, True, -1, 0, 2**31, 2**70, 1e308, "", "x", "\ud800", "\x00", "9999-99-99", [], [[]], {}
)  # fmt: skip


@st.composite
def odd_records(draw: st.DrawFn, whole: bytes) -> bytes:
    """Return a backup whose records say something odd, with checksums that are right."""
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    content = json.loads(members[RECORDS])
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(sorted(content["tables"])))
        rows = content["tables"][name]
        way = draw(st.sampled_from(("cell", "cell", "cell", "drop", "double", "table", "top")))
        if way == "top":
            content[draw(st.sampled_from(sorted(content)))] = draw(st.sampled_from(ODD))
            break
        if not isinstance(rows, list) or not rows or way == "table":
            content["tables"][name] = draw(st.sampled_from(ODD))
            continue
        row = draw(st.sampled_from(range(len(rows))))
        if way == "drop":
            del rows[row]
        elif way == "double":
            rows.append(rows[row])
        elif isinstance(rows[row], dict):
            column = draw(st.sampled_from(sorted(rows[row])))
            rows[row] = rows[row] | {column: draw(st.sampled_from(ODD))}
    members[RECORDS] = json.dumps(content).encode()
    return sealed(members)


def sealed(members: dict[str, bytes]) -> bytes:
    """Return a backup of some members, with right checksums."""
    members = {name: data for name, data in members.items() if name != SUMS}
    lines = "".join(f"{hashlib.sha256(d).hexdigest()}  {n}\n" for n, d in members.items())
    own = hashlib.sha256(lines.encode()).hexdigest()
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
        archive.writestr(SUMS, f"{lines}{own}  all of the above\n")
    return out.getvalue()


@contextmanager
def restore_target() -> Iterator[tuple[st.SearchStrategy[bytes], Try]]:
    """Backups: damaged, and whole ones that say odd things. What is accepted must be sound."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store, whole = demo_backup(folder)

        def run(data: bytes) -> None:
            path = folder / "bent.zip"
            path.write_bytes(data)
            restore(store, path, replace=True)
            wrong = verify(store).complaints
            if wrong:
                raise AssertionError(f"accepted, but {wrong[0]}")

        yield st.one_of(bent((whole,)), odd_records(whole), odd_records(whole)), run
        store.engine.dispose()


@contextmanager
def numbers_target() -> Iterator[tuple[st.SearchStrategy[bytes], Try]]:
    """Read and use a keeper's own numbers."""
    wholes = tuple(numbers.source(name).encode() for name in ("combs", "fertility", "settling"))
    headed = tuple(
        f"[{name}]\n".encode() + b"\n".join(line for line in whole.splitlines() if b"[" not in line)
        for name, whole in zip(("combs", "fertility", "settling"), wholes, strict=True)
    )

    def run(data: bytes) -> None:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            return
        try:
            numbers.use(numbers.read(text, "mine.toml"))
            cross("R/r+ P/p+", "r+/r+ p+/p+")
        finally:
            numbers.use({})

    yield bent((*wholes, *headed)), run


TARGETS = {
    "photo": photo_target,
    "list": list_target,
    "archive": archive_target,
    "restore": restore_target,
    "numbers": numbers_target,
}


def fuzz(name: str, seconds: float, number: int, most: int = 20) -> tuple[int, list[bytes]]:
    """Try a target for so long; returns how many cases were tried, and those that broke it."""
    found: dict[str, bytes] = {}
    tried = 0
    with TARGETS[name]() as (cases, run):
        end = time.monotonic() + seconds
        while time.monotonic() < end and len(found) < most:

            @seed(number)
            @settings(
                max_examples=200, database=None, deadline=None, phases=[Phase.generate],
                verbosity=Verbosity.quiet, suppress_health_check=list(HealthCheck),
            )  # fmt: skip
            @given(data=cases)
            def one_round(data: bytes) -> None:
                nonlocal tried
                if time.monotonic() > end:
                    return
                tried += 1
                said = complaint(run, data)
                if said and said not in found:
                    found[said] = data
                    print(f"{name}: {said}")

            one_round()
            number += 1
    return tried, list(found.values())


def complaint(run: Try, data: bytes) -> str:
    """Return what came of a case that should have been read or refused, nothing if it was."""
    try:
        run(data)
    except OURS:
        return ""
    except Exception as error:
        trace = error.__traceback__
        while trace is not None and trace.tb_next is not None:
            trace = trace.tb_next
        where = f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}" if trace else ""
        return f"{type(error).__name__}: {str(error)[:100]} ({where})"
    return ""


def kept_cases(name: str) -> list[Path]:
    """Return cases that once broke a target."""
    return sorted((CORPUS / name).glob("*"))


def replay(name: str) -> list[str]:
    """Return what still comes of the kept cases of a target."""
    with TARGETS[name]() as (_, run):
        said = [(path.name, complaint(run, path.read_bytes())) for path in kept_cases(name)]
    return [f"{case}: {text}" for case, text in said if text]


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--target", choices=list(TARGETS), nargs="*", default=list(TARGETS))
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    findings = 0
    for name in asked.target:
        tried, broke = fuzz(name, asked.seconds, asked.seed)
        findings += len(broke)
        for data in broke:
            (CORPUS / name).mkdir(parents=True, exist_ok=True)
            (CORPUS / name / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
        print(f"{name}: {tried} cases in {asked.seconds:.0f} s, {len(broke)} findings")
    sys.exit(bool(findings))


if __name__ == "__main__":
    main()
