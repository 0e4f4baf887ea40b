"""The report of a hatch on paper (PDF, A4), readable in black and white."""

from __future__ import annotations

import io

from classifier.vocabulary import COMBS
from service.documents.opinion_pdf import BOTTOM, LEFT, WIDE, Finder, Sheet, head_of, head_words
from service.documents.triage_html import PILE_HELP, PILE_TITLES
from service.flock.assessment import PILE_ORDER
from service.records.readings import model_reading
from service.views.grow_out import Chick, Report
from service.views.pens_and_hatches import Hatch
from service.wording.language import marked
from service.wording.language import translated as _
from service.wording.numbers import percent
from service.wording.sentences import day, say, word

ACROSS, TILE = 6, 28.0


def batch_sheet(told: Report, photos: Finder) -> bytes:
    """Return the report as PDF; `photos` is the folder of the kept photos."""
    hatch = told.hatch
    title = _("Grow-out of {name}").format(name=hatch.name)
    sheet = Sheet(title)
    pdf = sheet.pdf
    pdf.set_y(12)
    sheet.text(title, 15, True)
    facts = [_("hatched {day}").format(day=day(hatch.hatched)) if hatch.hatched else ""]
    facts += [_("{number} banded birds").format(number=hatch.banded)]
    facts += [_("{number} eggs set").format(number=hatch.eggs) if hatch.eggs is not None else ""]
    on = _("On {day}.").format(day=day(told.on))
    sheet.text(f"{', '.join(f for f in facts if f)}. {on}")
    sheet.heading(_("Piles"))
    for name in (*PILE_ORDER, "no photo"):
        birds = told.pile(name)
        if birds or name in PILE_TITLES:
            bands = ", ".join(c.band for c in birds) or _("none")
            pile = _(PILE_TITLES.get(name, marked("No photo")))
            sheet.text(f"{pile} ({len(birds)}): {bands}")
    sheet.heading(_("Combs expected from the parents, and seen"))
    if hatch.banded:
        pdf.image(io.BytesIO(chart(hatch)), LEFT, pdf.get_y(), 110, alt_text=in_words(hatch))
        pdf.set_y(pdf.get_y() + 62)
    sheet.text(in_words(hatch))
    sheet.heading(_("To look at again"))
    sheet.points([f"{day(a.on)}: {a.band}, {say(a.why)}" for a in told.again] or [_("none")], 24)
    for name in PILE_ORDER:
        birds = told.pile(name)
        if birds:
            room(sheet, TILE + 22)
            sheet.heading(f"{_(PILE_TITLES[name])}: {_(PILE_HELP[name])}")
            contacts(sheet, birds, photos)
    sheet.heading(_("Doubts"))
    lines = [
        f"{c.band}: {'; '.join(map(say, c.item.reasons))}"
        for c in told.chicks
        if c.item and c.item.reasons
    ]
    for line in lines or [_("none")]:
        room(sheet, 12)
        sheet.points([line], 1)
    return bytes(pdf.output())


def room(sheet: Sheet, height: float) -> None:
    """Begin a new page unless so many millimetres are left."""
    if sheet.pdf.get_y() + height > BOTTOM:
        sheet.pdf.add_page()


def contacts(sheet: Sheet, birds: list[Chick], photos: Finder) -> None:
    """Head crops in rows, each with its band and reading."""
    pdf = sheet.pdf
    for start in range(0, len(birds), ACROSS):
        room(sheet, TILE + 12)
        top = pdf.get_y()
        for column, chick in enumerate(birds[start : start + ACROSS]):
            x = LEFT + column * WIDE / ACROSS
            data = crop(chick, photos)
            said = word(chick.item.proposal or "") if chick.item else ""
            if data:
                pdf.image(data, x, top, TILE, TILE, alt_text=head_words(chick.band, said))
            pdf.set_xy(x, top + TILE + 0.5)
            pdf.set_font("DejaVu", "B", 7)
            pdf.cell(TILE, 3.2, chick.band, new_x="LEFT", new_y="NEXT")
            pdf.set_font("DejaVu", "", 6.5)
            sure = (
                f" {percent(chick.item.sure)}" if chick.item and chick.item.sure is not None else ""
            )
            pdf.multi_cell(TILE, 3, f"{said}{sure}", align="L")
        pdf.set_y(top + TILE + 11)


def crop(chick: Chick, photos: Finder) -> io.BytesIO | None:
    """Return the head of a bird's surest photo as JPEG; None if it can't be had."""
    reading = model_reading(chick.photo) if chick.photo else None
    if chick.photo is None or reading is None:
        return None
    return head_of(photos(chick.photo.sha256, chick.photo.suffix), reading, 220)


def in_words(hatch: Hatch) -> str:
    """Seen and expected numbers as a sentence."""
    parts = [
        _("{comb} {seen:.1f} seen, {due:.1f} expected").format(comb=word(comb), seen=seen, due=due)
        for comb, seen, due in zip(COMBS, hatch.seen, hatch.expected, strict=True)
        if seen >= 0.05 or due >= 0.05
    ]
    return "; ".join(parts) + "." if parts else _("No bird is banded yet.")


def chart(hatch: Hatch) -> bytes:
    """Bars of seen (filled) and expected (hatched) chicks by comb as PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.5, 3.0), dpi=160, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    rows = range(len(COMBS))
    # Brown and paper differ in lightness, and the hatching tells them apart in black and white.
    axes.barh([r - 0.2 for r in rows], hatch.seen, 0.38, color="#8a4b2a", label=_("seen"))
    axes.barh(
        [r + 0.2 for r in rows], hatch.expected, 0.38, color="#f3e6d2", edgecolor="#1d1a16",
        hatch="///", label=_("expected"),
    )  # fmt: skip
    axes.set_yticks(list(rows), [word(c) for c in COMBS])
    axes.invert_yaxis()
    axes.set_xlabel(_("chicks"))
    axes.legend(frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(0, 1))
    axes.spines[["top", "right"]].set_visible(False)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return buffer.getvalue()
