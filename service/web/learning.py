"""Pages of the reader that learns from the flock: what it may learn from, its trial, its use."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from classifier.adaptation.trial import LEAST_BIRDS, LEAST_OF_A_COMB
from service import clock
from service.actions.kept_jobs import KeptLearning
from service.actions.learning_run import LearningRun
from service.actions.readers import (
    all_readers,
    learned_reader,
    photos_of_others,
    take_reader,
)
from service.records.learned import SHIPPED
from service.views.confirmed import by_coarse_comb, confirmed_birds
from service.views.doubtful_looks import doubtful_looks
from service.web.charts import reliability
from service.web.pages import Records, desk_of, gone_to, page, readers_of, settings_of, store_of
from service.wording.sentences import from_data

router = APIRouter(prefix="/reader")
LEARNING = "/reader/learning"


def run_of(request: Request) -> LearningRun | KeptLearning:
    """Return the server's run of learning."""
    run: LearningRun | KeptLearning = request.app.state.learning
    return run


@router.get("/learning")
def overview(request: Request, records: Records) -> HTMLResponse:
    """Return which birds the reader may learn from, what it learned, and which reader reads."""
    readers = readers_of(request)
    birds = confirmed_birds(records, readers.shipped.card.prior, clock.today())
    return page(
        request,
        "learning.html",
        birds=birds,
        counts=by_coarse_comb(birds),
        least=LEAST_BIRDS,
        each=LEAST_OF_A_COMB,
        progress=run_of(request).progress,
        learned=all_readers(store_of(request)),
        reader=readers().card.model,
        doubtful=doubtful_looks(records, readers.shipped.card.prior, clock.today()),
        others=photos_of_others(records, readers().card.model),
    )


@router.post("/learning")
def begin(request: Request, by: Annotated[str, Form(max_length=80)] = "") -> RedirectResponse:
    """Begin to learn, beside the pages."""
    desk = desk_of(request, None, by)
    run_of(request).begin(desk, settings_of(request), readers_of(request).shipped)
    return gone_to(request, LEARNING, by=by)


@router.post("/learning/stop")
def stop(request: Request) -> RedirectResponse:
    """Stop learning at the next step."""
    run_of(request).stop()
    return gone_to(request, LEARNING)


@router.get("/learned/{name}")
def trial(request: Request, records: Records, name: str) -> HTMLResponse:
    """Return how a reader did on birds that it didn't learn from, beside the shipped one."""
    found = learned_reader(records, name)
    return page(
        request,
        "learned.html",
        found=found,
        against=[from_data(reason) for reason in found["against"]],
        charts=[reliability(bins) for bins in found["reliability"]],
        reader=readers_of(request)().card.model,
    )


@router.post("/use")
def use(
    request: Request,
    name: Annotated[str, Form(max_length=16)] = SHIPPED,
    by: Annotated[str, Form(max_length=80)] = "",
) -> RedirectResponse:
    """Let a reader that learned read from now on, or the shipped one."""
    act = take_reader(desk_of(request, None, by), name, readers_of(request).base)
    return gone_to(request, LEARNING, act.name, by)


@router.post("/again")
def again(
    request: Request, later: BackgroundTasks, by: Annotated[str, Form(max_length=80)] = ""
) -> RedirectResponse:
    """Read the photos of other readers again, beside their readings."""
    desk_of(request, later, by).leave("again")
    return gone_to(request, LEARNING, by=by)
