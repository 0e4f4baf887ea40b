"""Readings between the store and the classifier's words."""

from __future__ import annotations

from dataclasses import astuple
from datetime import datetime
from typing import Any

from classifier.messages import Doubt
from classifier.reading import HeadBox, Reading, Wattles
from classifier.sureness import Mistake
from service.records.tables import PhotoRow, ReadingRow
from service.wording.sentences import as_data, from_data


def model_reading(photo: PhotoRow) -> Reading | None:
    """Return the newest reading of a photo by a model."""
    rows = [r for r in photo.readings if not r.person]
    return reading_from_row(rows[-1]) if rows else None


def person_comb(photo: PhotoRow) -> str:
    """Return the newest comb that a person gave a photo, or nothing."""
    rows = [r for r in photo.readings if r.person]
    return rows[-1].comb if rows else ""


def newest_looks(photo: PhotoRow) -> list[tuple[ReadingRow, bool]]:
    """Return each person's newest look at a photo, and whether the same was said blind.

    A later look that says the same takes nothing from an earlier blind one.
    """
    people = [r for r in photo.readings if r.person]
    return [
        (newest, any(r.blind for r in people if r.by == newest.by and r.comb == newest.comb))
        for newest in {r.by: r for r in people}.values()
    ]


def row_from_reading(reading: Reading, made: datetime, name: str = "") -> ReadingRow:
    """Return a model's reading as a row; `name` is the photo's in the store."""
    content: dict[str, Any] = {
        "photo": name or reading.photo,
        "box": list(reading.head.box),
        "source": reading.head.source,
        "score": reading.head.score,
        "comb": list(reading.comb),
        "none_of_these": reading.none_of_these,
        "readable": reading.readable,
        "plausible": list(reading.plausible),
        "crest": reading.crest,
        "beard": reading.beard,
        "wattles": [reading.wattles.size, as_data(reading.wattles.why_not)],
        "wattle_share": reading.wattles.share,
        "wattle_share_90": reading.wattles.share_90,
        "complaints": as_data(reading.complaints),
        "remarks": as_data(reading.remarks),
        "doubts": as_data(reading.doubts),
        "pile": reading.pile,
        "young": reading.young,
        "frontal": reading.frontal,
        "mistake": astuple(reading.mistake) if reading.mistake else None,
        "outline": [list(map(list, ring)) for ring in reading.outline],
    }
    return ReadingRow(
        made=made,
        by=reading.model,
        person=False,
        blind=True,
        comb=reading.proposal or "",
        content=content,
    )


def reading_from_row(row: ReadingRow) -> Reading:
    """Return a row as the reading that it was."""
    c = row.content
    box, share_90 = c["box"], c.get("wattle_share_90")
    return Reading(
        photo=c["photo"],
        head=HeadBox((box[0], box[1], box[2], box[3]), c["source"], c["score"]),
        comb=tuple(c["comb"]),
        none_of_these=c["none_of_these"],
        readable=c["readable"],
        plausible=tuple(c["plausible"]),
        crest=c["crest"],
        beard=c["beard"],
        wattles=Wattles(
            c["wattles"][0],
            doubt(c["wattles"][1]) if c["wattles"][1] else None,
            c.get("wattle_share"),
            (share_90[0], share_90[1]) if share_90 else None,
        ),
        complaints=doubts(c["complaints"]),
        remarks=doubts(c["remarks"]),
        model=row.by,
        doubts=doubts(c["doubts"]),
        pile=c["pile"],
        young=c.get("young", 0.0),
        frontal=c.get("frontal", 0.0),
        mistake=Mistake(*c["mistake"]) if c.get("mistake") else None,
        outline=tuple(tuple((x, y) for x, y in ring) for ring in c.get("outline", ())),
    )


def doubt(kept: dict[str, Any]) -> Doubt:
    """Return a doubt as it was."""
    said = from_data(kept)
    return Doubt(said.code, **said.values)


def doubts(kept: list[dict[str, Any]]) -> tuple[Doubt, ...]:
    """Doubts as they were."""
    return tuple(map(doubt, kept))


def row_from_person(
    by: str, made: datetime, comb: str, blind: bool = False, remark: str = ""
) -> ReadingRow:
    """Return a person's reading as a row; an empty comb is 'can't tell'."""
    return ReadingRow(
        made=made,
        by=by.strip() or "keeper",
        person=True,
        blind=blind,
        comb=comb,
        content={"remark": remark} if remark else {},
    )
