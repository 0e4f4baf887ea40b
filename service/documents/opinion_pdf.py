"""The second opinion on one sheet of paper (PDF, A4), readable in black and white."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from fpdf import FPDF

from classifier.photo import PhotoError, head_view, open_photo
from classifier.reading import Reading
from classifier.vocabulary import SPOKEN
from service.documents.labels_pdf import document
from service.records.photo_files import place
from service.views.second_opinion import STANDING, Opinion, PhotoLook, named_combs
from service.wording import percent, times

LEFT, WIDE, LINE = 14.0, 182.0, 4.4  # millimetres
HALF, GAP = 88.0, 6.0
PICTURE, MOST_PHOTOS = 34.0, 4
BOTTOM = 283.0


class Sheet:
    """A page that is filled from the top, in reading order."""

    def __init__(self, title: str) -> None:
        self.pdf: FPDF = document(title)
        self.pdf.add_page()
        self.pdf.set_margins(LEFT, 12, LEFT)
        self.pdf.c_margin = 0

    def text(
        self, words: str, size: float = 8.5, bold: bool = False, left: float = LEFT,
        wide: float = WIDE,
    ) -> None:  # fmt: skip
        """A paragraph."""
        self.pdf.set_font("DejaVu", "B" if bold else "", size)
        self.pdf.set_x(left)
        self.pdf.multi_cell(wide, size * 0.5, words, align="L", new_x="LMARGIN", new_y="NEXT")

    def heading(self, words: str, left: float = LEFT, wide: float = WIDE) -> None:
        """A heading with a rule below."""
        self.pdf.ln(1.6)
        self.text(words, 10, True, left, wide)
        y = self.pdf.get_y() + 0.4
        self.pdf.set_draw_color(0)
        self.pdf.line(left, y, left + wide, y)
        self.pdf.ln(1.2)

    def points(
        self, lines: Sequence[str], most: int, left: float = LEFT, wide: float = WIDE
    ) -> None:
        """Lines with a dash before each; those beyond `most` are counted."""
        for line in lines[:most]:
            self.text(f"– {line}", left=left, wide=wide)
        if len(lines) > most:
            self.text(f"– and {len(lines) - most} more in the full opinion", left=left, wide=wide)


def opinion_sheet(told: Opinion, photos: Path) -> bytes:
    """The sheet as PDF; `photos` is the folder of the kept photos."""
    sheet = Sheet(f"Second opinion on bird {told.bird}")
    pdf = sheet.pdf
    pdf.set_y(12)
    sheet.text(f"Second opinion on bird {told.bird}", 15, True)
    about = [told.sex, f"hatched {told.hatched}" if told.hatched else ""]
    about += [f"from {told.sire or 'unknown'} x {told.dam or 'unknown'}"]
    facts = ", ".join(part for part in about if part)
    sheet.text(f"{facts[:1].upper()}{facts[1:]}. On {told.on}, by {told.model}.")
    row_of_heads(pdf, told.photos, photos)
    sheet.heading("What the photos say")
    said = SPOKEN.get(told.proposal or "", "can't tell")
    pile = {"settled": "settled", "second_look": "second look", "new_photo": "new photo"}
    if told.pile:
        sure = f", {percent(told.confidence)}" if told.proposal else ""
        sheet.text(f"{said}{sure}: {pile[told.pile]}.", bold=True)
    else:
        sheet.text("No photo was read.", bold=True)
    if told.wrong:
        w = told.wrong
        sheet.text(
            f"Of 100 birds read like this ({w.like}) about {w.in_hundred} were something else: "
            f"{w.wrong} of {w.of} held-out photographs, 95 % interval {w.low:.0%} to {w.high:.0%}."
        )
    sheet.points([f"{r[:1].upper()}{r[1:]}." for r in told.reasons], 5)
    people = [
        f"{who}: {SPOKEN.get(comb, comb) or 'can’t tell'} on {p.name}"
        f" ({'blind' if blind else 'not blind'})"
        for p in told.photos
        for who, comb, blind in p.people
    ]
    sheet.points(people, 4)
    top = pdf.get_y()
    sheet.heading("What it may carry", LEFT, HALF)
    squares(pdf, told.candidate.genotypes)
    sheet.text(f"Comb with all evidence: {named_combs(told.candidate.combs)}.", wide=HALF)
    if told.candidate.caution:
        sheet.text(told.candidate.caution, wide=HALF)
    low = pdf.get_y()
    right = LEFT + HALF + GAP
    pdf.set_y(top)
    sheet.heading("Evidence", right, HALF)
    lines = [
        f"{entry.evidence}: {entry.says} ({weight(entry.ratio)})" for entry in told.candidate.ledger
    ]
    sheet.points(lines or ["nothing beyond what is assumed of any founder"], 7, right, HALF)
    pdf.set_y(max(low, pdf.get_y()))
    if told.brood:
        sheet.heading(f"With {told.brood.mate}")
        sheet.text(
            f"Chicks: {named_combs(told.brood.combs)}. Single-combed {percent(told.brood.single)}, "
            f"true-breeding walnut (R/R P/P) {percent(told.brood.true_breeding)}."
        )
    sheet.heading("What is not known")
    sheet.points(told.unknown or ("nothing that was asked for",), 7)
    sheet.heading("What would settle it, the cheapest first")
    steps = []
    for step in told.steps:
        cost = f"{step.minutes} minutes"
        cost += f", {step.weeks} weeks" if step.weeks else ""
        cost += f", {step.eggs} eggs" if step.eggs else ""
        steps.append(f"{step.says} ({cost})")
    sheet.points(steps or ["nothing is open"], 6)
    if told.worths and told.worths[0].gain > 0:
        sheet.text(f"Most for its cost: {told.worths[0].step.says}.", bold=True)
    sheet.heading("Two independent readings, or a test mating")
    if told.rule.met:
        sheet.text(f"There are: {'; '.join(told.rule.by)}.")
    else:
        sheet.points([f"missing: {m}" for m in told.rule.missing], 4)
    if told.cautions:
        sheet.heading("Take care")
        sheet.points(told.cautions, 6)
    pdf.ln(1.5)
    for line in STANDING:
        sheet.text(line, 7.5)
    return bytes(pdf.output())


def weight(ratio: float) -> str:
    """A likelihood ratio in words.

    >>> weight(2.34), weight(0.25), weight(1.0)
    ('2.3 times for', '4 times against', 'says nothing')
    """
    if 0.95 < ratio < 1.05:
        return "says nothing"
    return (
        f"{times(ratio)} times for" if ratio > 1 else f"{times(1 / max(ratio, 1e-9))} times against"
    )


def head_of(photo: Path, reading: Reading, side: int) -> io.BytesIO | None:
    """The head on a kept photo as JPEG; None if the photo can't be opened."""
    try:
        picture = open_photo(photo)
    except PhotoError:
        return None
    buffer = io.BytesIO()
    head_view(picture, reading.head.box, 1.3, side).save(buffer, "JPEG", quality=85)
    return buffer


def row_of_heads(pdf: FPDF, looks: Sequence[PhotoLook], photos: Path) -> None:
    """Head crops side by side with the photo's name and reading below."""
    top = pdf.get_y() + 2
    shown = 0
    for look in looks:
        if look.reading is None or shown == MOST_PHOTOS:
            continue
        head = head_of(place(photos, look.sha256, look.suffix), look.reading, 300)
        if head is None:
            continue
        x = LEFT + shown * (PICTURE + 12)
        words = SPOKEN.get(look.reading.proposal or "", "can't tell")
        pdf.image(head, x, top, PICTURE, PICTURE, alt_text=f"Head on {look.name}, read: {words}")
        pdf.set_font("DejaVu", "", 6.5)
        pdf.set_xy(x, top + PICTURE + 0.5)
        sure = f" {percent(look.reading.confidence)}" if look.reading.proposal else ""
        also = f"; could be {', '.join(SPOKEN[c] for c in look.alike)}" if look.alike else ""
        pdf.multi_cell(PICTURE + 10, 3, f"{look.name}: {words}{sure}{also}", align="L")
        shown += 1
    pdf.set_y(top + (PICTURE + 10 if shown else 0))


def squares(pdf: FPDF, genotypes: dict[str, float]) -> None:
    """The nine genotypes as a table of R and P; likely ones are set bold."""
    columns, names = ("P/P", "P/p+", "p+/p+"), list(genotypes)
    pdf.set_font("DejaVu", "", 8.5)
    with pdf.table(
        width=int(HALF), align="LEFT", text_align="CENTER", first_row_as_headings=True,
        line_height=4.6, col_widths=(22, 22, 22, 22),
    ) as table:  # fmt: skip
        head = table.row()
        for text in ("", *columns):
            head.cell(text)
        for r, name in enumerate(("R/R", "R/r+", "r+/r+")):
            row = table.row()
            row.cell(name)
            for p in range(3):
                value = genotypes[names[3 * r + p]]
                pdf.set_font("DejaVu", "B" if value >= 0.5 else "", 8.5)
                row.cell(percent(value))
                pdf.set_font("DejaVu", "", 8.5)
    pdf.ln(1)
