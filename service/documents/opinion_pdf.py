"""The second opinion on one sheet of paper (PDF, A4), readable in black and white."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path

from fpdf import FPDF

from classifier.photo import PhotoError, head_view, open_photo
from classifier.reading import Reading
from classifier.vocabulary import NONE
from service.documents.labels_pdf import document
from service.documents.triage_html import PILE_TITLES, capitalised, sentence
from service.flock.assessment import told_combs
from service.flock.held_out_errors import Wrong
from service.views.bird_looks import PhotoLook
from service.views.second_opinion import CLOSING_LINES, Opinion, named_combs
from service.wording.language import translated as _
from service.wording.numbers import Number, percent, times
from service.wording.sentences import Message, day, say, word

Finder = Callable[[str, str], Path]
"""Where a photo lies, by SHA-256 and suffix."""
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
        """Write a paragraph."""
        self.pdf.set_font("DejaVu", "B" if bold else "", size)
        self.pdf.set_x(left)
        self.pdf.multi_cell(wide, size * 0.5, words, align="L", new_x="LMARGIN", new_y="NEXT")

    def heading(self, words: str, left: float = LEFT, wide: float = WIDE) -> None:
        """Write a heading with a rule below."""
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
            more = _("and {number} more in the full opinion").format(number=len(lines) - most)
            self.text(f"– {more}", left=left, wide=wide)


def opinion_sheet(told: Opinion, photos: Finder) -> bytes:
    """Return the sheet as PDF; `photos` is the folder of the kept photos."""
    title = _("Second opinion on bird {band}").format(band=told.bird)
    sheet = Sheet(title)
    sheet.pdf.set_y(12)
    sheet.text(title, 15, True)
    sheet.text(about_bird(told))
    row_of_heads(sheet.pdf, told.photos, photos)
    what_photos_say(sheet, told)
    what_it_may_carry(sheet, told)
    what_is_open(sheet, told)
    sheet.pdf.ln(1.5)
    for line in CLOSING_LINES:
        sheet.text(say(line), 7.5)
    return bytes(sheet.pdf.output())


def about_bird(told: Opinion) -> str:
    """Return sex, day and parents of the bird, and when and by what the sheet was made."""
    about = [word(told.sex) if told.sex else ""]
    about += [_("hatched {day}").format(day=day(told.hatched)) if told.hatched else ""]
    parents = (told.sire or word("unknown"), told.dam or word("unknown"))
    about += [say(Message("says_parents", sire=parents[0], dam=parents[1]))]
    made = _("On {day}, by {model}.").format(day=day(told.on), model=told.model)
    return f"{capitalised(', '.join(part for part in about if part))}. {made}"


def what_photos_say(sheet: Sheet, told: Opinion) -> None:
    """Write the reading, how often such readings were wrong, doubts, and what people saw."""
    sheet.heading(_("What the photos say"))
    if told.pile:
        number = told.proposal and told.proposal != NONE and not told.by
        sure = f", {percent(told.confidence)}" if number else ""
        pile = _(PILE_TITLES[told.pile])
        sheet.text(f"{word(told.proposal or '')}{sure}: {pile}.", bold=True)
        if told.by:
            names = ", ".join(told.by)
            sheet.text(_("Read blind by {names}, who agree.").format(names=names))
    else:
        sheet.text(_("No photo was read."), bold=True)
    if told.wrong:
        w = told.wrong
        sheet.text(
            _(
                "Of 100 birds {like}, about {number} were something else: "
                "{wrong} of {of} held-out photographs, 95% interval {low:.0%} to {high:.0%}."
            ).format(like=say(w.like), number=w.in_hundred, **facts_of(w))
        )
    sheet.points([sentence(reason) for reason in told.reasons], 5)
    people = [
        _("{who}: {comb} on {photo}").format(who=who, comb=word(comb), photo=p.name)
        + f" ({_('blind') if blind else _('not blind')})"
        for p in told.photos
        for who, comb, blind in p.people
    ]
    sheet.points(people, 4)


def what_it_may_carry(sheet: Sheet, told: Opinion) -> None:
    """Write genotypes and evidence side by side, and below what a mating would give."""
    pdf, top, right = sheet.pdf, sheet.pdf.get_y(), LEFT + HALF + GAP
    sheet.heading(_("What it may carry"), LEFT, HALF)
    squares(pdf, told.candidate.genotypes)
    combs = _("Comb with all evidence: {combs}.").format(
        combs=named_combs(told_combs(told.candidate.combs))
    )
    sheet.text(combs, wide=HALF)
    if told.candidate.caution:
        sheet.text(say(told.candidate.caution), wide=HALF)
    low = pdf.get_y()
    pdf.set_y(top)
    sheet.heading(_("Evidence"), right, HALF)
    lines = [
        f"{say(entry.evidence)}: {say(entry.says)} ({weight(entry.ratio)})"
        for entry in told.candidate.ledger
    ]
    sheet.points(lines or [_("Nothing beyond what is assumed of any founder.")], 7, right, HALF)
    pdf.set_y(max(low, pdf.get_y()))
    if told.brood:
        sheet.heading(_("With {mate}").format(mate=told.brood.mate))
        sheet.text(
            _(
                "Chicks: {combs}. Single-combed {single}, true-breeding walnut (R/R P/P) {pure}."
            ).format(
                combs=named_combs(told.brood.combs),
                single=percent(told.brood.single),
                pure=percent(told.brood.true_breeding),
            )
        )


def what_is_open(sheet: Sheet, told: Opinion) -> None:
    """Write what isn't known, what would settle it, the rule of two, and what to take care of."""
    sheet.heading(_("What is not known"))
    sheet.points(list(map(say, told.unknown)) or [_("nothing that was asked for")], 7)
    sheet.heading(_("What would settle it, the cheapest first"))
    steps = []
    for step in told.steps:
        cost = [_("{number} minutes").format(number=step.minutes)]
        cost += [_("{number} weeks").format(number=step.weeks)] if step.weeks else []
        cost += [_("{number} eggs").format(number=step.eggs)] if step.eggs else []
        steps.append(f"{say(step.says)} ({', '.join(cost)})")
    sheet.points(steps or [_("nothing is open")], 6)
    if told.worths and told.worths[0].gain > 0:
        best = say(told.worths[0].step.says)
        sheet.text(_("Most for its cost: {step}.").format(step=best), bold=True)
    sheet.heading(_("Two independent readings, or a test mating"))
    if told.rule.met:
        sheet.text(f"{_('There are:')} {'; '.join(map(say, told.rule.by))}.")
    else:
        sheet.points([f"{_('Missing:')} {say(missing)}" for missing in told.rule.missing], 4)
    if told.cautions:
        sheet.heading(_("Take care"))
        sheet.points(list(map(say, told.cautions)), 6)


def weight(ratio: float) -> str:
    """Return a likelihood ratio in words.

    >>> weight(2.34), weight(0.25), weight(1.0)
    ('2.3 times for', '4 times against', 'says nothing')
    """
    if 0.95 < ratio < 1.05:
        return _("says nothing")
    if ratio > 1:
        return _("%(times)s times for") % {"times": times(ratio)}
    return _("%(times)s times against") % {"times": times(1 / max(ratio, 1e-9))}


def facts_of(wrong: Wrong) -> dict[str, float]:
    """Return the numbers of held-out readings like this one."""
    return {
        "wrong": wrong.wrong,
        "of": wrong.of,
        "low": Number(wrong.low),
        "high": Number(wrong.high),
    }


def head_words(name: str, said: str) -> str:
    """Return what a picture of a head shows, for who can't see it."""
    return _("Head of {name}, read: {comb}").format(name=name, comb=said)


def head_of(photo: Path, reading: Reading, side: int) -> io.BytesIO | None:
    """Return the head on a kept photo as JPEG; None if the photo can't be opened."""
    try:
        picture = open_photo(photo)
    except PhotoError:
        return None
    buffer = io.BytesIO()
    head_view(picture, reading.head.box, 1.3, side).save(buffer, "JPEG", quality=85)
    return buffer


def row_of_heads(pdf: FPDF, looks: Sequence[PhotoLook], photos: Finder) -> None:
    """Head crops side by side with the photo's name and reading below."""
    top = pdf.get_y() + 2
    shown = 0
    for look in looks:
        if look.reading is None or shown == MOST_PHOTOS:
            continue
        head = head_of(photos(look.sha256, look.suffix), look.reading, 300)
        if head is None:
            continue
        x = LEFT + shown * (PICTURE + 12)
        words = word(look.reading.proposal or "")
        pdf.image(head, x, top, PICTURE, PICTURE, alt_text=head_words(look.name, words))
        pdf.set_font("DejaVu", "", 6.5)
        pdf.set_xy(x, top + PICTURE + 0.5)
        sure = f" {percent(look.reading.confidence)}" if look.reading.proposal else ""
        also = ", ".join(map(word, look.alike))
        also = f"; {_('could also be')} {also}" if also else ""
        pdf.multi_cell(PICTURE + 10, 3, f"{look.name}: {words}{sure}{also}", align="L")
        shown += 1
    pdf.set_y(top + (PICTURE + 10 if shown else 0))


def squares(pdf: FPDF, genotypes: dict[str, float]) -> None:
    """Draw the nine genotypes as a table of R and P; likely ones are set bold."""
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
