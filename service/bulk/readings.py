"""Many photographs read in parts, by this machine's processes or by Ray's workers.

What is to be done is written down first (`_plan.json`); a part is one file, whose name follows from
the plan and which is there whole or not at all. So a run that was broken off goes on with the parts
that lack, and whoever reads a part twice writes the same file: every photo is read exactly once.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from classifier.photo import Photo, PhotoError
from service.bulk.arrow import arrow
from service.bulk.photo_places import Address, digest_of, open_at
from service.bulk.processes import cores, in_order
from service.bulk.reading_table import counts_of, reading_file
from service.bulk.shelf import Shelf
from service.errors import Refusal
from service.flock.photo_readings import CHUNK, answers_of
from service.shapes.printed import schema_name
from service.wording.language import speak
from service.wording.sentences import as_data, say

if TYPE_CHECKING:
    from classifier.adaptation.change import Change
    from classifier.reader import Reader

# Names that begin so are passed over by whatever reads a folder of Parquet files as one table.
PLAN, DONE = "_plan.json", "_done.json"
WIDE_CHUNK, LOTS_AHEAD = 64, 2  # photos that a GPU reads together; how many lots wait decoded
PART = 8 * CHUNK  # photos in a part: some 15 seconds of one core, some 100 kB


@dataclass(frozen=True)
class ReaderToLoad:
    """Which reader reads, so that another process or machine can load the same."""

    model: str
    folder: Path | None = None
    """Of its weights, which every worker must reach; None for the shipped ones."""
    change: Change | None = None
    on_gpu: bool = False

    def load(self) -> Reader:
        """Return the reader, for one core or one GPU. Raises CardError, or Refusal for another."""
        from classifier.card import SHIPPED, load_card
        from classifier.networks import OnnxNetworks, kept_tensors
        from classifier.reader import Reader

        folder = self.folder or SHIPPED
        card = load_card(folder)
        tensors = kept_tensors(folder, card)
        if self.on_gpu:
            from classifier.torch_networks import TorchNetworks

            reader = Reader(folder, TorchNetworks(tensors, device="cuda"), self.change)
        else:
            reader = Reader(folder, OnnxNetworks(tensors, card, threads=1), self.change)
        if reader.card.model != self.model:
            raise Refusal("other_reader_there", found=reader.card.model, wanted=self.model)
        return reader


@dataclass(frozen=True)
class Plan:
    """What a long reading does, as `_plan.json` holds it."""

    photos: int
    digest: str
    """Of which photos there are."""
    part: int
    """Photos in a part."""
    model: str
    language: str
    schema: str = schema_name("plan")

    @property
    def parts(self) -> int:
        """How many parts there are."""
        return -(-self.photos // self.part)

    def name(self, part: int) -> str:
        """File name of a part's readings."""
        return f"readings-{part + 1:06}-of-{self.parts:06}.parquet"


def agreed(shelf: Shelf, plan: Plan) -> list[int]:
    """Write the plan down, or take up the same one that lies there; returns the parts that lack.

    Raises Refusal if another plan's readings, or files of another kind, lie there.
    """
    there = shelf.names()
    if PLAN in there:
        before = shelf.get_json(PLAN)
        differ = [k for k, v in asdict(plan).items() if before.get(k) != v]
        if differ:
            raise Refusal("other_plan_there", folder=shelf.place, differs=tuple(differ))
    elif any(name.endswith((".parquet", ".json")) for name in there):
        raise Refusal("folder_in_use", folder=shelf.place)
    else:
        shelf.put(PLAN, json.dumps(asdict(plan), indent=1).encode())
    return [part for part in range(plan.parts) if plan.name(part) not in there]


@dataclass(frozen=True)
class Work:
    """A part's photos and the file that they are read into."""

    part: int
    name: str
    photos: tuple[Address, ...]

    def as_text(self) -> str:
        """As it travels between machines."""
        return json.dumps(asdict(self))

    @staticmethod
    def from_text(text: str) -> Work:
        """Return the work that `as_text` was made from."""
        kept = json.loads(text)
        return Work(kept["part"], kept["name"], tuple(Address(**a) for a in kept["photos"]))


@dataclass(frozen=True)
class Done:
    """What became of a part."""

    part: int
    photos: int
    unread: int


class PartReader:
    """Reads parts with one reader: what a worker is. On a GPU, threads decode photos ahead."""

    def __init__(self, reader: ReaderToLoad, shelf: str, language: str) -> None:
        """Raise what loading the reader raises."""
        self.reader, self.shelf, self.language = reader.load(), Shelf(shelf), language
        self.chunk = WIDE_CHUNK if reader.on_gpu else CHUNK
        self.decoders = ThreadPoolExecutor(cores()) if reader.on_gpu else None

    def __call__(self, works: Sequence[Work]) -> list[Done]:
        """Read parts, each into its file. Raises StoreError if one can't be written."""
        speak(self.language)
        lots = [
            (work, work.photos[start : start + self.chunk])
            for work in works
            for start in range(0, len(work.photos), self.chunk)
        ]
        printed: list[tuple[dict[str, Any], str]] = []
        done = []
        for (work, some), photos in zip(lots, self.decoded([lot for _, lot in lots]), strict=True):
            answers = answers_of(photos, [None] * len(some), self.reader.read)
            printed += [as_printed(a.name, found) for a, found in zip(some, answers, strict=True)]
            if len(printed) == len(work.photos):
                self.shelf.put(work.name, reading_file(printed))
                unread = sum(not row["ok"] for row, _ in printed)
                done.append(Done(work.part, len(printed), unread))
                printed = []
        return done

    def decoded(self, lots: Sequence[Sequence[Address]]) -> Iterator[list[Photo | PhotoError]]:
        """Yield lots of photos decoded, the next ones meanwhile where threads do it."""
        if self.decoders is None:
            yield from ([opened(address) for address in lot] for lot in lots)
            return
        waiting: deque[Iterator[Photo | PhotoError]] = deque()
        for number in range(len(lots) + LOTS_AHEAD):
            if number < len(lots):
                waiting.append(self.decoders.map(opened, lots[number]))
            if number >= LOTS_AHEAD:
                yield list(waiting.popleft())


def opened(address: Address) -> Photo | PhotoError:
    """Return a decoded photo, or why it can't be."""
    try:
        return open_at(address)
    except PhotoError as error:
        return error


def as_printed(name: str, found: Any) -> tuple[dict[str, Any], str]:
    """Return a reading or its error as the object and the line that `read --json` prints."""
    if isinstance(found, PhotoError):
        row = {"photo": name, "ok": False, "error": say(found)}
        row["error_code"] = as_data(found.message)
        shape = "unread"
    else:
        row, shape = found.as_json(say) | {"photo": name}, "reading"
    line = json.dumps({**row, "schema": schema_name(shape)}, ensure_ascii=False)
    return row, line


class Engine(Protocol):
    """Whoever has parts read."""

    def __call__(
        self, reader: ReaderToLoad, shelf: str, language: str, work: Iterator[Work]
    ) -> Iterator[Done]:
        """Yield parts as they are done, in any order."""
        ...


_here: dict[tuple[str, ...], PartReader] = {}


def read_here(reader: ReaderToLoad, shelf: str, language: str, work: Work) -> Done:
    """Read a part in this process, whose reader is loaded once."""
    key = (reader.model, str(reader.folder), str(reader.on_gpu), shelf, language)
    if key not in _here:
        _here.clear()
        _here[key] = PartReader(reader, shelf, language)
    return _here[key]([work])[0]


def processes(jobs: int) -> Engine:
    """Return the engine of this machine: processes of one core each."""

    def engine(
        reader: ReaderToLoad, shelf: str, language: str, work: Iterator[Work]
    ) -> Iterator[Done]:
        return in_order(partial(read_here, reader, shelf, language), work, jobs)

    return engine


def read_parts(
    photos: Sequence[Address],
    out: str,
    reader: ReaderToLoad,
    language: str,
    engine: Engine,
    told: Callable[[int], None],
    part: int = PART,
) -> dict[str, Any]:
    """Read photos into Parquet files at a folder or URL; returns how many there are.

    `told` hears of photos as they are done, those of an earlier run first. Raises Refusal if
    something else lies there, StoreError if nothing can be written there.
    """
    arrow()  # before anything is written
    plan = Plan(len(photos), digest_of(photos), part, reader.model, language)
    shelf = Shelf(out)
    lacking = agreed(shelf, plan)
    waiting = set(lacking)
    counts = {i: counts_of(shelf.get(plan.name(i))) for i in range(plan.parts) if i not in waiting}
    told(sum(read for read, _ in counts.values()))
    work = (Work(i, plan.name(i), tuple(photos[i * part : (i + 1) * part])) for i in lacking)
    for done in engine(reader, shelf.place, language, work) if lacking else ():
        counts[done.part] = (done.photos, done.unread)
        told(done.photos)
    answer = {
        "folder": out,
        "photos": sum(read for read, _ in counts.values()),
        "unread": sum(unread for _, unread in counts.values()),
        "parts": plan.parts,
        "parts_before": plan.parts - len(lacking),
    }
    shelf.put(DONE, json.dumps(answer, indent=1).encode())
    return answer
