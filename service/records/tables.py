"""Tables of the store.

Every table has an integer key that only grows: what came first is told by it, never by a clock,
which may be set back. Times are kept in UTC.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Index,
    LargeBinary,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator


class Utc(TypeDecorator[datetime]):
    """A moment in UTC; SQLite, which knows no zones, gives it back with one as well."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Store a moment in UTC."""
        return value.astimezone(UTC) if value else None

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give a moment back with its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    type_annotation_map = {dict[str, Any]: JSON, datetime: Utc}  # noqa: RUF012


class PenRow(Base):
    """A pen: who lived in it and when is in `PenBirdRow`."""

    __tablename__ = "pens"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    notes: Mapped[str] = mapped_column(default="")


class HatchRow(Base):
    """A hatch: eggs set together; `pen` gives the possible parents of its chicks."""

    __tablename__ = "hatches"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    pen_id: Mapped[int | None] = mapped_column(ForeignKey("pens.id"), index=True)
    hatched: Mapped[date | None]
    eggs: Mapped[int | None]
    chicks: Mapped[int | None]
    notes: Mapped[str] = mapped_column(default="")


class BirdRow(Base):
    """A bird; columns as in flock.csv. `sire` and `dam` hold bands, or '12 or 14'."""

    __tablename__ = "birds"

    id: Mapped[int] = mapped_column(primary_key=True)
    band: Mapped[str] = mapped_column(String(80), unique=True)
    sire: Mapped[str] = mapped_column(String(400), default="")
    dam: Mapped[str] = mapped_column(String(400), default="")
    sex: Mapped[str] = mapped_column(String(8), default="")
    hatched: Mapped[date | None]
    comb: Mapped[str] = mapped_column(String(24), default="")
    comb_by: Mapped[str] = mapped_column(String(80), default="")
    crest: Mapped[bool | None]
    beard: Mapped[bool | None]
    wattles: Mapped[str] = mapped_column(String(8), default="")
    genotype: Mapped[str] = mapped_column(String(40), default="")
    notes: Mapped[str] = mapped_column(default="")
    variety: Mapped[str] = mapped_column(String(80), default="")
    status: Mapped[str] = mapped_column(String(40), default="")
    photo: Mapped[str] = mapped_column(default="")
    """Files named in the flock list, by ;."""
    extra: Mapped[dict[str, Any]] = mapped_column(default=dict)
    """Columns of the flock list that are the breeder's own."""
    hatch_id: Mapped[int | None] = mapped_column(ForeignKey("hatches.id"), index=True)
    photos: Mapped[list[PhotoRow]] = relationship(back_populates="bird", order_by="PhotoRow.id")
    hatch: Mapped[HatchRow | None] = relationship()


class PenBirdRow(Base):
    """A bird's stay in a pen; an open end is None."""

    __tablename__ = "pen_birds"

    id: Mapped[int] = mapped_column(primary_key=True)
    pen_id: Mapped[int] = mapped_column(ForeignKey("pens.id"), index=True)
    bird_id: Mapped[int] = mapped_column(ForeignKey("birds.id"), index=True)
    since: Mapped[date | None]
    until: Mapped[date | None]
    pen: Mapped[PenRow] = relationship()
    bird: Mapped[BirdRow] = relationship()


class PhotoRow(Base):
    """A photo by the SHA-256 of the bytes that are kept, which lie in the folder of photos."""

    __tablename__ = "photos"

    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    source_sha256: Mapped[str] = mapped_column(String(64), index=True, default="")
    """Of the file as it came in, before place and camera were taken off."""
    name: Mapped[str] = mapped_column(String(255))
    suffix: Mapped[str] = mapped_column(String(8))
    bytes: Mapped[int] = mapped_column(default=0)
    taken_in: Mapped[datetime]
    taken: Mapped[datetime | None]
    """When the camera says it was taken, its clock taken as UTC."""
    likeness: Mapped[str] = mapped_column(String(16), default="")
    """Perceptual hash (64 bits, hexadecimal)."""
    like: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 of an earlier photo that is a near-duplicate."""
    bird_id: Mapped[int | None] = mapped_column(ForeignKey("birds.id"), index=True)
    bird: Mapped[BirdRow | None] = relationship(back_populates="photos")
    readings: Mapped[list[ReadingRow]] = relationship(
        back_populates="photo", order_by="ReadingRow.id"
    )


class ReadingRow(Base):
    """One look at one photo, by a model (`content` is the reading) or by a person."""

    __tablename__ = "readings"
    __table_args__ = (Index("ix_readings_person", "person", "photo_sha256"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_sha256: Mapped[str] = mapped_column(ForeignKey("photos.sha256"), index=True)
    photo: Mapped[PhotoRow] = relationship(back_populates="readings")
    made: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    person: Mapped[bool]
    blind: Mapped[bool] = mapped_column(default=False)
    """Whether a person read it before seeing what others read."""
    comb: Mapped[str] = mapped_column(String(24), default="")
    content: Mapped[dict[str, Any]] = mapped_column(default=dict)


class SightingRow(Base):
    """Crest, beard and wattles as a person saw them, on a photo or on the bird."""

    __tablename__ = "sightings"

    id: Mapped[int] = mapped_column(primary_key=True)
    bird_id: Mapped[int] = mapped_column(ForeignKey("birds.id"), index=True)
    photo_sha256: Mapped[str | None] = mapped_column(ForeignKey("photos.sha256"))
    made: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    crest: Mapped[bool | None]
    beard: Mapped[bool | None]
    wattles: Mapped[str] = mapped_column(String(8), default="")
    seen_on: Mapped[date | None]
    """The day, for the bird's age then."""


class MatingRow(Base):
    """A mating whose chicks were counted without bands: a test mating, or any other."""

    __tablename__ = "matings"
    __table_args__ = (UniqueConstraint("sire_id", "dam_id", "purpose", "started"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    sire_id: Mapped[int] = mapped_column(ForeignKey("birds.id"), index=True)
    dam_id: Mapped[int] = mapped_column(ForeignKey("birds.id"), index=True)
    purpose: Mapped[str] = mapped_column(String(16), default="breeding")
    started: Mapped[date | None]
    notes: Mapped[str] = mapped_column(default="")
    counts: Mapped[list[CountRow]] = relationship(
        back_populates="mating", order_by="CountRow.id", cascade="all, delete-orphan"
    )


class CountRow(Base):
    """Chicks of a mating with one comb."""

    __tablename__ = "counts"

    id: Mapped[int] = mapped_column(primary_key=True)
    mating_id: Mapped[int] = mapped_column(ForeignKey("matings.id"), index=True)
    mating: Mapped[MatingRow] = relationship(back_populates="counts")
    comb: Mapped[str] = mapped_column(String(24))
    chicks: Mapped[int]
    by: Mapped[str] = mapped_column(String(80), default="")
    made: Mapped[datetime]


class DecisionRow(Base):
    """What the keeper decided about a bird, and why."""

    __tablename__ = "decisions"

    id: Mapped[int] = mapped_column(primary_key=True)
    bird_id: Mapped[int] = mapped_column(ForeignKey("birds.id"), index=True)
    made: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    choice: Mapped[str] = mapped_column(String(40))
    reason: Mapped[str]
    recheck: Mapped[date | None]


class IntakeRow(Base):
    """One lot of photos that were brought in together."""

    __tablename__ = "intakes"

    id: Mapped[int] = mapped_column(primary_key=True)
    source: Mapped[str]
    begun: Mapped[datetime]
    items: Mapped[list[ItemRow]] = relationship(back_populates="intake", order_by="ItemRow.id")


class ItemRow(Base):
    """A file of a lot: waiting, kept, there already, or refused with the reason."""

    __tablename__ = "intake_items"
    __table_args__ = (UniqueConstraint("intake_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    intake_id: Mapped[int] = mapped_column(ForeignKey("intakes.id"), index=True)
    intake: Mapped[IntakeRow] = relationship(back_populates="items")
    name: Mapped[str] = mapped_column(String(400))
    state: Mapped[str] = mapped_column(String(16), default="waiting", index=True)
    photo_sha256: Mapped[str | None] = mapped_column(String(64))
    message: Mapped[str] = mapped_column(default="")
    """Why it was refused, or what is worth saying: a code with its values, as JSON."""


class ChangeRow(Base):
    """The trail: one row changed by an act, as it was and as it became."""

    __tablename__ = "changes"

    id: Mapped[int] = mapped_column(primary_key=True)
    act: Mapped[str] = mapped_column("batch", String(32), index=True)
    """The act that it is part of, by its name."""
    made: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    said: Mapped[dict[str, Any]] = mapped_column(default=dict)
    """What was done: a code with its parameters."""
    undoes: Mapped[str] = mapped_column(String(32), default="")
    """The act that this one took back."""
    kind: Mapped[str] = mapped_column(String(40))
    """Name of the table."""
    row: Mapped[int]
    before: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    after: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    seal: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 of this line and of the seal before it, so that no line changes or goes unseen."""


class AnswerRow(Base):
    """A bird's candidates as last worked out; `key` is the content that they rest on."""

    __tablename__ = "answers"

    bird_id: Mapped[int] = mapped_column(
        ForeignKey("birds.id", ondelete="CASCADE"), primary_key=True
    )
    key: Mapped[str] = mapped_column(String(64))
    in_conflict: Mapped[bool] = mapped_column(default=False, index=True)
    content: Mapped[dict[str, Any]]
    seal: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 of the rest of the row."""


class GlanceRow(Base):
    """What a bird's candidates were when they were last looked at."""

    __tablename__ = "glances"

    bird_id: Mapped[int] = mapped_column(
        ForeignKey("birds.id", ondelete="CASCADE"), primary_key=True
    )
    made: Mapped[datetime]
    content: Mapped[dict[str, Any]]


class PileRow(Base):
    """The pile that a read photo lies in, as last judged, so that thousands are sorted at once."""

    __tablename__ = "piles"
    __table_args__ = (Index("ix_piles_order", "looked_at", "pile", "risk"),)

    photo_id: Mapped[int] = mapped_column(
        ForeignKey("photos.id", ondelete="CASCADE"), primary_key=True
    )
    pile: Mapped[str] = mapped_column(String(16))
    risk: Mapped[float] = mapped_column(Double)
    looked_at: Mapped[bool]
    """Whether a person has read it."""
    seal: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 of the rest of the row."""


class HashPartRow(Base):
    """Sixteen bits of a photo's perceptual hash, so that near-duplicates are found by an index."""

    __tablename__ = "hash_parts"

    part: Mapped[int] = mapped_column(primary_key=True)
    """0 to 3, from the highest bits down."""
    value: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(
        ForeignKey("photos.id", ondelete="CASCADE"), primary_key=True, index=True
    )


class IdentityRow(Base):
    """One row: which records these are; their folder of photos carries the same identity."""

    __tablename__ = "identity"

    id: Mapped[int] = mapped_column(primary_key=True)
    identity: Mapped[str] = mapped_column(String(32))
    made: Mapped[datetime]


class ReaderRow(Base):
    """A reader that learned from this flock: what it adds to the shipped one, and its trial."""

    __tablename__ = "readers"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(16), unique=True)
    base: Mapped[str] = mapped_column(String(64))
    """SHA-256 of the shipped weights that it stands on."""
    made: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    better: Mapped[bool]
    """Whether the trial found it better; no other may be used."""
    in_use: Mapped[bool] = mapped_column(default=False)
    content: Mapped[dict[str, Any]]
    """The change and the report of its trial."""


class ReportRow(Base):
    """A report that was asked for; its file once it is made, for some days."""

    __tablename__ = "reports"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(24))
    """As its file is called."""
    hatch_id: Mapped[int | None]
    """The hatch that it tells of; None where it tells of the flock."""
    hatch: Mapped[str] = mapped_column(String(80), default="")
    language: Mapped[str] = mapped_column(String(8))
    region: Mapped[str] = mapped_column(String(16))
    asked: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(80))
    on: Mapped[date]
    """The day for which it holds."""
    made: Mapped[datetime | None]
    trouble: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """Why it can't be made: a code with its values."""
    size: Mapped[int] = mapped_column(default=0)
    content: Mapped[bytes | None] = mapped_column(LargeBinary, deferred=True)

    @property
    def waits(self) -> bool:
        """Whether it is still to be made."""
        return self.made is None and self.trouble is None


class LearningRow(Base):
    """One row: how far learning apart from the pages has come, and what came of it."""

    __tablename__ = "learning"

    id: Mapped[int] = mapped_column(primary_key=True)
    done: Mapped[int] = mapped_column(default=0)
    steps: Mapped[int] = mapped_column(default=0)
    name: Mapped[str] = mapped_column(String(16), default="")
    """Of what was learned."""
    trouble: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """Why nothing came of it: a code with its values."""


class AccountRow(Base):
    """Somebody who may come in over the network."""

    __tablename__ = "accounts"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    role: Mapped[str] = mapped_column(String(8))
    secret: Mapped[str] = mapped_column(String(200))
    """The password's Argon2id hash."""
    made: Mapped[datetime]
    closed: Mapped[bool] = mapped_column(default=False)


class InvitationRow(Base):
    """A one-time link by which a helper makes an account."""

    __tablename__ = "invitations"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    """SHA-256 of the link's token, which itself is kept nowhere."""
    role: Mapped[str] = mapped_column(String(8))
    by: Mapped[str] = mapped_column(String(80))
    made: Mapped[datetime]
    expires: Mapped[datetime]
    used: Mapped[datetime | None]


class SessionRow(Base):
    """A browser in which somebody is signed in."""

    __tablename__ = "sessions"

    id: Mapped[int] = mapped_column(primary_key=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    """SHA-256 of the cookie's token."""
    account_id: Mapped[int] = mapped_column(
        ForeignKey("accounts.id", ondelete="CASCADE"), index=True
    )
    account: Mapped[AccountRow] = relationship()
    made: Mapped[datetime]
    renewed: Mapped[datetime]
    expires: Mapped[datetime]
    former: Mapped[str] = mapped_column(String(64), default="", index=True)
    """Digest of the token before this one, good for a short while after it was replaced."""


class AttemptRow(Base):
    """Passwords that were wrong, by account name or address, to slow down guessing."""

    __tablename__ = "attempts"

    key: Mapped[str] = mapped_column(String(120), primary_key=True)
    failures: Mapped[int]
    last: Mapped[datetime]


# Worked out from the rest: neither on the trail nor in exports.
DERIVED = ("answers", "glances", "piles", "hash_parts", "reports", "learning")
# Written once and never changed by hand: a journal is its own trail.
JOURNALS = ("intakes", "intake_items", "changes", "identity")
# Who may come in: never in an export or backup, which may be given away, nor on the trail.
ACCESS = ("accounts", "invitations", "sessions", "attempts")
# All others: every change of theirs is on the trail.
UNWATCHED = (*JOURNALS, *DERIVED, *ACCESS)
