"""What a reader learns from a few dozen birds of one flock, and whether the adoption rule holds.

    python -m classifier.render.heads --out STRAINS/0 --strain 0 --first 0 --count 240 --jobs 2
    python -m classifier.render.heads --out OTHERS --first 900000 --count 400 --jobs 2
    python -m benchmarks.learning --strains STRAINS --others OTHERS
    python -m benchmarks.learning --photos PHOTOS
    python -m benchmarks.learning --strains STRAINS --shuffled 20
    python -m benchmarks.learning --strains STRAINS --birds 100 --kills 50

*Strains*: of each folder 60 birds with a readable comb are confirmed (drawn by the folder's
number), the reader learns from them, and balanced accuracy over the coarse combs is taken on the
strain's other birds, and recall of the combs that the flock doesn't have on renders of others.
*Photographs*: new flocks are FOLDS of the split `check`, which no training saw; 30 heads are
confirmed, the others are the test; each fold with five draws. *Shuffled*: the confirmed combs are
dealt out anew among the birds; how often the rule adopts what was learned from that. *Birds*: so
many birds of the first strain are put on record with a photo each and two blind looks, and
`combwright learn` is timed, with its peak memory; then it is killed (-9) at random moments, after
each of which the reader in use must be the one before, the records must verify, and at last the
command must go through.

Heads are found, not given. Nothing here was used to choose how the reader learns, which was done on
strains 10 and 11.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from classifier.adaptation.bank import Bank, bank_of
from classifier.adaptation.features import cases_from, looks
from classifier.adaptation.last_layer import Cases
from classifier.adaptation.trial import Trial, answers, enough, run
from classifier.calibration import balanced_accuracy
from classifier.photo import open_photo
from classifier.reader import Reader
from classifier.training.datasets import Sample, photographs, renders
from classifier.vocabulary import COARSE, coarse_of

if TYPE_CHECKING:
    from service.settings import Settings

Ints = NDArray[np.int64]
# New flocks among the photographs: by source, and within the largest by sex.
FOLDS = {
    "Animals-10": lambda row: row["dataset"] == "Animals-10",
    "breed/farm site": lambda row: row["dataset"] == "breed/farm site",
    "small public web sites": lambda row: row["dataset"] == "small public web sites",
    "cocks": lambda row: row["sex"] == "cock",
    "hens": lambda row: row["sex"] == "hen",
}
CONFIRMED, FEW, DRAWS = 60, 30, 5


@dataclass(frozen=True)
class Outcome:
    """A flock's birds that nobody learned from: shipped reader, what was learned, what is used."""

    before: float
    learned: float
    adopted: bool
    absent: dict[str, tuple[float, float]]
    """Recall of combs that the flock hasn't, before and after, if adopted."""

    @property
    def used(self) -> float:
        """Balanced accuracy of the reader that reads after the rule has spoken."""
        return self.learned if self.adopted else self.before


def seen_heads(reader: Reader, samples: Sequence[Sample]) -> Cases:
    """Return heads as found, with a label of a comb each."""
    features = []
    for sample in samples:
        photo = open_photo(sample.path)
        head = reader.find([photo])[0]
        features.append(looks(reader, photo, head.box, sample.path.name))
    names = [sample.group for sample in samples]
    return cases_from(reader, np.stack(features), [s.label for s in samples], names, names)


def outcome(cases: Cases, chosen: Ints, bank: Bank, others: Cases | None) -> tuple[Outcome, Trial]:
    """Learn from some of the heads and test on the rest."""
    rest = cases.of(np.setdiff1d(np.arange(len(cases.labels)), chosen))
    trial = run(cases.of(chosen), bank)
    was = rest.logits[:, 0]
    now = trial.change.logits(rest.directions[:, 0], was)
    before, after = (balanced_accuracy(rest.coarse, answers(v)) for v in (was, now))
    absent = {}
    if others is not None:
        for comb in set(COARSE) - set(cases.coarse):
            mine = others.of(np.flatnonzero(np.array(others.coarse) == comb))
            old = mine.logits[:, 0]
            new = trial.change.logits(mine.directions[:, 0], old)
            shares = [float(np.mean([a == comb for a in answers(v)])) for v in (old, new)]
            absent[comb] = shares[0], shares[1]
    return Outcome(before, after, trial.better, absent), trial


def readable(samples: Sequence[Sample]) -> list[Sample]:
    """Return the samples with a box and a comb."""
    return [s for s in samples if s.box and coarse_of(s.label) is not None]


def drawn(cases: Cases, count: int, seed: int) -> Ints:
    """Return heads to confirm: so many birds by chance, near-duplicates together."""
    rng = np.random.default_rng(seed)
    groups = np.array(cases.groups)
    order = rng.permutation(sorted(set(cases.groups)))
    chosen: list[int] = []
    for group in order:
        if len(chosen) >= count:
            break
        chosen += np.flatnonzero(groups == group).tolist()
    return np.array(sorted(chosen))


def tell(name: str, found: Outcome, trial: Trial, seconds: float) -> None:
    """Print a line on a flock."""
    reasons = ", ".join(reason.code for reason in trial.against)
    absent = "; ".join(f"{c} {a:.1%} to {b:.1%}" for c, (a, b) in found.absent.items())
    print(
        f"{name}: {found.before:.1%} shipped, {found.learned:.1%} learned, "
        f"{'adopted' if found.adopted else f'not adopted ({reasons})'}, {seconds:.0f} s"
        + (f"; combs not in the flock: {absent}" if absent else ""),
        flush=True,
    )


def strains(reader: Reader, folders: Sequence[Path], others: Path | None) -> None:
    """Measure on rendered strains."""
    bank = bank_of(reader.card)
    strangers = seen_heads(reader, readable(renders(others))) if others else None
    found = []
    for number, folder in enumerate(folders):
        cases = seen_heads(reader, readable(renders(folder)))
        started = time.monotonic()
        result, trial = outcome(cases, drawn(cases, CONFIRMED, number), bank, strangers)
        tell(f"strain {folder.name}", result, trial, time.monotonic() - started)
        found.append(result)
    gains = [r.used - r.before for r in found]
    lost = [b - a for r in found if r.adopted for a, b in r.absent.values()]
    print(
        f"{sum(g >= 0.05 for g in gains)} of {len(found)} rose by 5 points or more; "
        f"mean {np.mean(gains):+.1%}; least {min(gains):+.1%}; recall of absent combs changed by "
        f"{min(lost, default=0):+.1%} at worst"
    )


def real(reader: Reader, photos: Path) -> None:
    """Measure on folds of photographs that no training saw."""
    import csv

    bank = bank_of(reader.card)
    with (photos / "labels.csv").open(newline="", encoding="utf-8") as file:
        rows = {photos / row["file"]: row for row in csv.DictReader(file)}
    samples = readable(photographs(photos, "check"))
    every = seen_heads(reader, samples)
    rose = fell = 0
    for name, belongs in FOLDS.items():
        mine = every.of(np.array([i for i, s in enumerate(samples) if belongs(rows[s.path])]))
        changes = []
        for seed in range(DRAWS):
            chosen = drawn(mine, FEW, seed)
            if not enough(mine.of(chosen).coarse, mine.of(chosen).birds):
                print(f"{name}, draw {seed}: too few of two combs, nothing is learned")
                changes.append(0.0)
                continue
            started = time.monotonic()
            result, trial = outcome(mine, chosen, bank, None)
            tell(f"{name}, draw {seed}", result, trial, time.monotonic() - started)
            changes.append(result.used - result.before)
        rose += bool(np.mean(changes) > 0)
        fell += bool(min(changes) < -0.02)
        print(f"{name}: mean change {np.mean(changes):+.1%}, least {min(changes):+.1%}")
    print(f"{rose} of {len(FOLDS)} folds rose on average; {fell} fell by more than 2 points once")


def shuffled(reader: Reader, folders: Sequence[Path], times: int) -> None:
    """Deal the confirmed combs out anew among the birds, and see what the rule adopts."""
    bank = bank_of(reader.card)
    adopted = 0
    known = {folder: seen_heads(reader, readable(renders(folder))) for folder in folders}
    for number in range(times):
        cases = list(known.values())[number % len(known)]
        mine = cases.of(drawn(cases, CONFIRMED, number))
        order = np.random.default_rng(number).permutation(len(mine.labels))
        trial = run(replace(mine, labels=tuple(mine.labels[i] for i in order)), bank)
        adopted += trial.better
    print(f"adopted {adopted} of {times} with shuffled combs")


def on_record(home: Path, folder: Path, count: int) -> Settings:
    """Put birds of a strain on record, with a photo and two people's blind looks each."""
    from service.actions.desk import Desk
    from service.actions.photos import Upload, read_photos, take_in
    from service.installation import open_store
    from service.model import default_reader, training_prior
    from service.records.entries import enter_comb
    from service.settings import Settings

    settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
    store = open_store(settings)
    desk = Desk(store, training_prior(), "Ann", date(2026, 10, 4))
    combs = {}
    for number, sample in enumerate(readable(renders(folder))[:count]):
        with sample.path.open("rb") as file:
            upload = Upload(sample.path.name, sample.path.stat().st_size, file)
            taken = take_in(desk, settings, [upload], str(number), new=True)
        combs[taken.photos[0]] = sample.label
    read_photos(desk, default_reader(), list(combs))
    with store.writing("Ann", "looks") as session:
        for photo, comb in combs.items():
            for person in ("Ann", "Ben"):
                enter_comb(session, photo, comb, person, blind=True)
    store.engine.dispose()
    return settings


def whole(folder: Path, count: int, kills: int) -> None:
    """Time the command, and kill it."""
    from service.actions.readers import ReaderInUse
    from service.installation import open_store
    from service.model import default_reader
    from service.records.verify import verify

    with tempfile.TemporaryDirectory() as place:
        settings = on_record(Path(place), folder, count)
        command = [sys.executable, "-m", "service.cli", "learn", "--json"]
        environment = {
            **os.environ,
            "COMBWRIGHT_HOME": place,
            "COMBWRIGHT_DATABASE": settings.database,
        }

        def learned() -> float:
            started = time.monotonic()
            subprocess.run(command, env=environment, check=True, capture_output=True)
            return time.monotonic() - started

        first = learned()
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        again = learned()
        print(f"{count} birds: {first:.0f} s, {peak:.0f} MB; once more {again:.0f} s", flush=True)
        rng, lost = np.random.default_rng(0), 0
        for _ in range(kills):
            for kept in (Path(place) / "learning").rglob("*.npy"):
                if rng.random() < 0.5:
                    kept.unlink()
            process = subprocess.Popen(
                command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            time.sleep(float(rng.uniform(0.2, first)))
            process.kill()
            process.wait()
            store = open_store(settings)
            same = ReaderInUse(store)() is default_reader()
            lost += not (same and verify(store).clean)
            store.engine.dispose()
        if kills:
            learned()
            print(f"{kills} kills: {lost} left another reader or unsound records; it goes on")


def main() -> None:
    """Measure: `python -m benchmarks.learning`."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--strains", type=Path, help="folder with a folder of renders for each")
    parser.add_argument("--others", type=Path, help="renders of other birds")
    parser.add_argument("--photos", type=Path)
    parser.add_argument("--shuffled", type=int, default=0)
    parser.add_argument("--birds", type=int, default=0)
    parser.add_argument("--kills", type=int, default=0)
    args = parser.parse_args()
    reader = Reader()
    if args.strains:
        folders = sorted(p for p in args.strains.iterdir() if p.is_dir())
        if args.birds:
            whole(folders[0], args.birds, args.kills)
        elif args.shuffled:
            shuffled(reader, folders, args.shuffled)
        else:
            strains(reader, folders, args.others)
    if args.photos:
        real(reader, args.photos)


if __name__ == "__main__":
    main()
