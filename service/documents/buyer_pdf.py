"""A pen's sheet for whoever buys its eggs or chicks (PDF, A4)."""

from __future__ import annotations

from service.documents.opinion_pdf import LEFT, WIDE, Sheet
from service.views.buyer import ForBuyer
from service.wording.language import translated as _
from service.wording.numbers import percent
from service.wording.sentences import day, say, word

BAR = 90.0  # millimetres of a whole


def buyer_sheet(told: ForBuyer) -> bytes:
    """Return the sheet as PDF."""
    title = _("Hatching eggs and chicks of pen {name}").format(name=told.pen.name)
    sheet = Sheet(title)
    pdf = sheet.pdf
    pdf.set_y(14)
    sheet.text(title, 16, True)
    sheet.text(_("On {day}.").format(day=day(told.on)))
    if told.combs:
        sheet.heading(_("What the chicks will show"))
        for comb, share in sorted(told.combs.items(), key=lambda pair: -pair[1]):
            y = pdf.get_y()
            sheet.text(word(comb), 11, left=LEFT, wide=40)
            pdf.set_xy(LEFT + 42, y)
            pdf.set_font("DejaVu", "B", 11)
            pdf.cell(22, 5.5, percent(share), align="R")
            pdf.set_draw_color(0)
            pdf.rect(LEFT + 68, y + 1, BAR, 3.5)
            pdf.set_fill_color(90)
            if share > 0:
                pdf.rect(LEFT + 68, y + 1, BAR * share, 3.5, style="F")
            pdf.set_y(y + 7)
    sheet.heading(_("In words"))
    for said in told.sentences:
        sheet.text(say(said), 11, wide=WIDE)
        pdf.ln(1)
    sheet.heading(_("Parents"))
    for name, bands in ((_("cocks"), told.pen.cocks), (_("hens"), told.pen.hens)):
        sheet.text(f"{name}: {', '.join(bands) or _('none')}", 11)
    return bytes(pdf.output())
