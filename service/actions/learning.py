"""Learning from the flock: the confirmed birds' photos looked at, a change tried, and kept.

What was looked at lies in a folder beside the records, so that learning that was broken off goes on
where it was. The reader in use stays until somebody takes another.
"""

from __future__ import annotations

import io
import shutil
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from classifier.boxes import Box
from classifier.photo import PhotoError, read_photo
from classifier.vocabulary import coarse_of
from service.actions.desk import Desk
from service.actions.readers import described
from service.errors import Clash, Refusal, StoreError
from service.records.database import Store
from service.records.intake.decoding import picture_of
from service.records.learned import keep_reader
from service.records.photo_files import write_or_tell
from service.records.pooled import MIDDLE, pooled_heads
from service.records.readings import model_reading
from service.settings import Settings
from service.views.confirmed import Confirmed, by_coarse_comb, confirmed_birds
from service.wording.sentences import Message

if TYPE_CHECKING:
    from classifier.adaptation.last_layer import Cases
    from classifier.reader import Reader

TURN = threading.Lock()  # learning takes all cores: one at a time
MOST_PHOTOS = 4  # of one bird: more say little more
Told = Callable[[int, int], None]
"""Called with steps done and steps in all; what it raises breaks learning off."""


@dataclass(frozen=True)
class Lesson:
    """A photo of a confirmed bird, as far as it has to be known outside of the records."""

    photo: str
    """SHA-256"""
    suffix: str
    name: str
    box: Box
    band: str
    hatch: int | None
    comb: str


def lessons_of(birds: Sequence[Confirmed]) -> list[Lesson]:
    """Return the photos of confirmed birds, the newest few of each."""
    found = []
    for bird in birds:
        for photo in bird.photos[-MOST_PHOTOS:]:
            reading = model_reading(photo)
            assert reading is not None
            box = reading.head.box
            found.append(
                Lesson(
                    photo.sha256, photo.suffix, photo.name, box, bird.band, bird.hatch, bird.comb
                )
            )
    return found


def learn(
    desk: Desk, settings: Settings, reader: Reader, told: Told = lambda *_: None
) -> dict[str, Any]:
    """Learn from the confirmed birds, try it and keep it with its trial; returns what is told of
    it.

    `reader` is the shipped one. Nothing else changes: see `service.actions.readers` for taking what
    was learned. Raises Refusal if too few birds are confirmed, Clash if somebody learns already,
    and whatever `told` raises.
    """
    from classifier.adaptation.bank import bank_of
    from classifier.adaptation.trial import run

    if not TURN.acquire(blocking=False):
        raise Clash("learning_already")
    try:
        bank = bank_of(reader.card)
        with desk.store.reading() as session:
            birds = confirmed_birds(session, desk.prior, desk.on)
            lessons = lessons_of(birds)
        refuse_too_few(birds)
        base = reader.card.document["weights"]["sha256"]
        cases, split = cases_of(desk.store, settings, reader, lessons, told)
        others = pooled_cases(settings, reader)
        count = len(lessons)
        trial = run(cases, bank, lambda done, steps: told(count + done, count + steps), others)
        trial.report["pooled"] = len(others.labels) if others else 0
        trial.report["split"] = split
        said = Message("act_learned", name=trial.change.name)
        with desk.store.writing(desk.by, said) as session:
            row = keep_reader(session, trial, base, desk.by)
            return described(row.name, row.better, row.in_use, row.content)
    finally:
        TURN.release()


def refuse_too_few(birds: Sequence[Confirmed]) -> None:
    """Raise Refusal, with what is there and what is missing, if birds aren't enough to learn."""
    from classifier.adaptation.trial import LEAST_BIRDS, LEAST_OF_A_COMB, enough

    coarse = [str(coarse_of(bird.comb)) for bird in birds]
    if not birds:
        raise Refusal("none_confirmed")
    if not enough(coarse, [bird.band for bird in birds]):
        counts = {comb: count for comb, count in by_coarse_comb(birds).items() if count}
        told = tuple(Message("chicks_of_word", number=n, comb=c) for c, n in counts.items())
        raise Refusal(
            "too_few_confirmed",
            birds=len(birds),
            least=LEAST_BIRDS,
            each=LEAST_OF_A_COMB,
            there=told,
        )


def cases_of(
    store: Store, settings: Settings, reader: Reader, lessons: Sequence[Lesson], told: Told
) -> tuple[Cases, str]:
    """Return the photos as the last layer sees them, and what of them is never split."""
    from classifier.adaptation.features import cases_from
    from classifier.adaptation.trial import FOLDS

    folder = cache_of(settings, reader)
    seen, kept = [], []
    for number, lesson in enumerate(lessons):
        told(number, len(lessons) + FOLDS + 2)
        found = looked_at(store, folder, reader, lesson)
        if found is not None:
            seen.append(found)
            kept.append(lesson)
    if not seen:
        raise StoreError("no_photo_to_learn_from")
    hatches = {lesson.hatch for lesson in kept if lesson.hatch is not None}
    split = "hatch" if len(hatches) >= FOLDS else "bird"
    groups = [
        f"hatch {lesson.hatch}" if split == "hatch" and lesson.hatch else f"bird {lesson.band}"
        for lesson in kept
    ]
    labels = [lesson.comb for lesson in kept]
    cases = cases_from(reader, np.stack(seen), labels, [k.band for k in kept], groups)
    return cases, split


def pooled_cases(settings: Settings, reader: Reader) -> Cases | None:
    """Return the heads that other breeders gave, as the last layer sees them; None without any."""
    from classifier.adaptation.features import cases_from, looks

    folder, features, labels, birds = cache_of(settings, reader), [], [], []
    for package, head, data in pooled_heads(settings.home):
        kept = folder / f"{head.sha256[:32]}-pooled.npy"

        def make(data: bytes = data, seed: str = head.sha256) -> NDArray[np.float16]:
            photo = read_photo(seed, io.BytesIO(data))
            return looks(reader, photo, MIDDLE, seed).astype(np.float16)

        features.append(kept_or_made(kept, make))
        labels.append(head.comb)
        birds.append(f"{package} {head.bird}")
    return cases_from(reader, np.stack(features), labels, birds, birds) if features else None


def cache_of(settings: Settings, reader: Reader) -> Path:
    """Return the folder of what was looked at by these weights; that of others is cleared away."""
    whole = settings.home / "learning"
    mine = whole / str(reader.card.document["weights"]["sha256"])[:16]
    for other in whole.glob("*"):
        if other != mine:
            shutil.rmtree(other, ignore_errors=True)
    mine.mkdir(parents=True, exist_ok=True, mode=0o700)
    return mine


def looked_at(
    store: Store, folder: Path, reader: Reader, lesson: Lesson
) -> NDArray[np.float16] | None:
    """Return the features of a photo's looks, kept or made now; None for one that can't be read."""
    from classifier.adaptation.features import looks

    box = "-".join(str(round(v)) for v in lesson.box)

    def make() -> NDArray[np.float16]:
        data = store.photo(lesson.photo, lesson.suffix).read_bytes()
        photo = picture_of(lesson.name, data)
        return looks(reader, photo, lesson.box, lesson.photo).astype(np.float16)

    try:
        return kept_or_made(folder / f"{lesson.photo[:32]}-{box}.npy", make)
    except (OSError, PhotoError):
        return None


def kept_or_made(path: Path, make: Callable[[], NDArray[np.float16]]) -> NDArray[np.float16]:
    """Return an array from a file, made anew where that isn't there or damaged.

    Raises what `make` raises, and StoreError where it can't be kept.
    """
    try:
        kept: NDArray[np.float16] = np.load(path)
    except (OSError, ValueError, EOFError):
        made = make()
        written = io.BytesIO()
        np.save(written, made)
        write_or_tell(path, written.getvalue())
        return made
    return kept
