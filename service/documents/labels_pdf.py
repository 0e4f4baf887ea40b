"""Labels to print: leg bands and pen sheets with QR codes, as PDF (A4)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from importlib import resources

import segno
from fpdf import FPDF
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import NotFound, Refusal
from service.records.intake.bands import MARK
from service.records.tables import BirdRow, PenBirdRow, PenRow
from service.wording.language import current, translated
from service.wording.sentences import day, word

COLUMNS, ROWS = 4, 10
WIDE, TALL, LEFT, TOP = 48.0, 27.0, 9.0, 12.0  # millimetres


def code(text: str) -> io.BytesIO:
    """Return a QR code (ISO/IEC 18004) that survives a soiled quarter, with the quiet zone it
    needs.
    """
    buffer = io.BytesIO()
    segno.make_qr(text, error="q").save(buffer, kind="png", scale=8, border=4)
    buffer.seek(0)
    return buffer


def document(title: str) -> FPDF:
    """Return an empty A4 document whose font is embedded, so that any band can be written."""
    pdf = FPDF(format="A4")
    pdf.set_title(title)
    pdf.set_lang(current.get())
    pdf.set_auto_page_break(False)
    font = resources.files("service.documents").joinpath("fonts")
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        pdf.add_font("DejaVu", style, str(font.joinpath(name)))
    return pdf


def fit_text(pdf: FPDF, text: str, width: float, size: float) -> None:
    """Set the bold font as large as lets a text fit into a width."""
    pdf.set_font("DejaVu", "B", size)
    while pdf.get_string_width(text) > width and size > 5:
        size -= 0.5
        pdf.set_font("DejaVu", "B", size)


def sex_and_day(bird: BirdRow) -> str:
    """Sex and day of hatching, as far as they are known."""
    return ", ".join(filter(None, (word(bird.sex) if bird.sex else "", day(bird.hatched))))


def band_sheet(session: Session, bands: Sequence[str] | None = None) -> bytes:
    """Labels of some birds or all, 40 to a page. Raises StoreError for a band that isn't kept."""
    rows = session.scalars(select(BirdRow).order_by(BirdRow.id)).all()
    known = {row.band: row for row in rows}
    unknown = [band for band in bands or () if band not in known]
    if unknown:
        raise NotFound("no_such_bird", band=unknown[0])
    birds = [known[band] for band in bands] if bands else list(rows)
    if not birds:
        raise Refusal("no_birds_yet")
    pdf = document(translated("Leg-band labels"))
    for number, bird in enumerate(birds):
        place = number % (COLUMNS * ROWS)
        if place == 0:
            pdf.add_page()
        x, y = LEFT + place % COLUMNS * WIDE, TOP + place // COLUMNS * TALL
        pdf.set_draw_color(190)
        pdf.rect(x, y, WIDE, TALL)
        pdf.image(
            code(MARK + bird.band),
            x + 1,
            y + 1.5,
            TALL - 3,
            alt_text=translated("bird {bird}").format(bird=bird.band),
        )
        fit_text(pdf, bird.band, WIDE - TALL, 20)
        pdf.text(x + TALL - 1, y + 12, bird.band)
        pdf.set_font("DejaVu", "", 6)
        for line, words in enumerate(sex_and_day(bird).split(", ")):
            pdf.text(x + TALL - 1, y + 18 + 3 * line, words)
    return bytes(pdf.output())


def pen_sheets(session: Session) -> bytes:
    """Return a page a pen.

    Its name, and who lives in it now. Raises StoreError if there is no pen.
    """
    pens = session.scalars(select(PenRow).order_by(PenRow.name)).all()
    if not pens:
        raise Refusal("no_pens_yet")
    pdf = document(translated("Pen sheets"))
    for pen in pens:
        pdf.add_page()
        fit_text(pdf, pen.name, 130, 48)
        pdf.text(15, 35, pen.name)
        pdf.image(
            code(f"combwright:pen:{pen.name}"), 155, 10, 45, alt_text=f"{word('pen')} {pen.name}"
        )
        stays = session.execute(
            select(PenBirdRow, BirdRow)
            .join(BirdRow)
            .where(PenBirdRow.pen_id == pen.id, PenBirdRow.until.is_(None))
            .order_by(BirdRow.sex, BirdRow.id)
        ).all()
        y = 65.0
        for _, bird in stays:
            if y > 275:
                pdf.add_page()
                y = 20.0
            fit_text(pdf, bird.band, 50, 20)
            pdf.text(15, y + 10, bird.band)
            pdf.set_font("DejaVu", "", 11)
            pdf.text(70, y + 9, sex_and_day(bird))
            pdf.image(
                code(MARK + bird.band),
                175,
                y - 2,
                18,
                alt_text=translated("bird {bird}").format(bird=bird.band),
            )
            y += 20
    return bytes(pdf.output())
