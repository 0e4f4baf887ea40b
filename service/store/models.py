"""Tables of the store."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, ForeignKey, String
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship


class Base(DeclarativeBase):
    """Base of all tables."""

    type_annotation_map = {dict[str, Any]: JSON}  # noqa: RUF012


class BirdRow(Base):
    """A bird; columns as in flock.csv."""

    __tablename__ = "birds"

    id: Mapped[int] = mapped_column(primary_key=True)
    band: Mapped[str] = mapped_column(String(80), unique=True)
    sire: Mapped[str] = mapped_column(String(80), default="")
    dam: Mapped[str] = mapped_column(String(80), default="")
    sex: Mapped[str] = mapped_column(String(8), default="")
    hatched: Mapped[date | None]
    comb: Mapped[str] = mapped_column(String(24), default="")
    comb_by: Mapped[str] = mapped_column(String(80), default="")
    crest: Mapped[bool | None]
    beard: Mapped[bool | None]
    wattles: Mapped[str] = mapped_column(String(8), default="")
    genotype: Mapped[str] = mapped_column(String(40), default="")
    notes: Mapped[str] = mapped_column(default="")
    photos: Mapped[list[PhotoRow]] = relationship(back_populates="bird")


class PhotoRow(Base):
    """A photo by the SHA-256 of its bytes, which lie in the folder of photos."""

    __tablename__ = "photos"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str] = mapped_column(String(255))
    suffix: Mapped[str] = mapped_column(String(8))
    taken_in: Mapped[datetime] = mapped_column(DateTime(timezone=True))
    bird_id: Mapped[int | None] = mapped_column(ForeignKey("birds.id"), index=True)
    bird: Mapped[BirdRow | None] = relationship(back_populates="photos")
    readings: Mapped[list[ReadingRow]] = relationship(
        back_populates="photo", order_by="ReadingRow.id"
    )


class ReadingRow(Base):
    """One look at one photo, by a model (`content` is the reading) or by a person."""

    __tablename__ = "readings"

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_sha256: Mapped[str] = mapped_column(ForeignKey("photos.sha256"), index=True)
    photo: Mapped[PhotoRow] = relationship(back_populates="readings")
    made: Mapped[datetime] = mapped_column(DateTime(timezone=True))
    by: Mapped[str] = mapped_column(String(80))
    person: Mapped[bool]
    comb: Mapped[str] = mapped_column(String(24), default="")
    content: Mapped[dict[str, Any]] = mapped_column(default=dict)
