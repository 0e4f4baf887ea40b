"""Birds written down and put right by forms, each of which can be taken back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, Form, Request
from fastapi.responses import HTMLResponse, Response

from service.actions.birds import correct_bird, rename_bird, swap_bands, write_down_bird
from service.views.bird_list import first_bands, named_hatches
from service.web.pages import SUGGESTED, Records, day_in, desk_of, gone_to, page, quote_path

router = APIRouter()
Text = Annotated[str, Form(max_length=400)]


@router.get("/new-bird")
def begin(request: Request, records: Records, band: str = "", hatch: str = "") -> HTMLResponse:
    """Return the form for a bird that isn't on record yet."""
    return page(
        request,
        "new_bird.html",
        band=band.strip()[:80],
        hatch=hatch.strip()[:80],
        bands=first_bands(records, SUGGESTED),
        hatches=[name for _, name in named_hatches(records)],
    )


@router.post("/new-bird")
def write_down(
    request: Request,
    later: BackgroundTasks,
    band: Annotated[str, Form(max_length=80)],
    sex: Text = "",
    hatched: Text = "",
    sire: Text = "",
    dam: Text = "",
    hatch: Annotated[str, Form(max_length=80)] = "",
    notes: Annotated[str, Form(max_length=2000)] = "",
    another: Annotated[str, Form()] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Write down a bird that isn't on record yet."""
    facts = {
        "sex": sex,
        "hatched": day_in(hatched, "hatched"),
        "sire": sire,
        "dam": dam,
        "notes": notes,
    }
    act = write_down_bird(desk_of(request, later, by), band, facts, hatch)
    there = f"/birds/{quote_path(band.strip())}"
    if another:
        there = f"/new-bird?hatch={quote_path(hatch)}"
    return gone_to(request, there, act.name, by)


@router.post("/birds/{band:path}/facts")
def put_right(
    request: Request,
    later: BackgroundTasks,
    band: str,
    sex: Text = "",
    hatched: Text = "",
    sire: Text = "",
    dam: Text = "",
    variety: Annotated[str, Form(max_length=80)] = "",
    genotype: Annotated[str, Form(max_length=40)] = "",
    notes: Annotated[str, Form(max_length=2000)] = "",
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Put a bird's facts right: what the form shows is what stands there afterwards."""
    facts = {
        "sex": sex,
        "hatched": day_in(hatched, "hatched"),
        "sire": sire,
        "dam": dam,
        "variety": variety,
        "genotype": genotype,
        "notes": notes,
    }
    act = correct_bird(desk_of(request, later, by), band, facts)
    return gone_to(request, f"/birds/{quote_path(band)}", act.name, by)


@router.post("/birds/{band:path}/band")
def give_band(
    request: Request,
    later: BackgroundTasks,
    band: str,
    other: Annotated[str, Form(max_length=80)],
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Give a bird the band that it really carries."""
    act = rename_bird(desk_of(request, later, by), band, other)
    return gone_to(request, f"/birds/{quote_path(other.strip())}", act.name, by)


@router.post("/birds/{band:path}/swap")
def swap(
    request: Request,
    later: BackgroundTasks,
    band: str,
    other: Annotated[str, Form(max_length=80)],
    by: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """Let two birds whose bands were mixed up change places in the pedigree."""
    act = swap_bands(desk_of(request, later, by), band, other)
    return gone_to(request, f"/birds/{quote_path(band)}", act.name, by)
