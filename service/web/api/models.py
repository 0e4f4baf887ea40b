"""What programs send under /api/v1, and the short answers; long ones are `service/shapes`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from genetics.evidence import SAID, WATTLE_WORDS
from service.records.corrections import SEXES
from service.records.entries import CHOICES, PURPOSES
from service.records.limits import MOST_INTEGER, MOST_TEXT
from service.records.states import SEEN
from service.shapes.base import Sentence
from service.shapes.readings import Reading


def example(**fields: Any) -> ConfigDict:
    """Return what describes a request by an example."""
    return ConfigDict(json_schema_extra={"examples": [fields]})


def one_of(*words: str) -> dict[str, Any]:
    """Return the JSON Schema of a field that takes some words.

    Checked where the act is done, whose refusal names the word; here it is only described.
    """
    return {"enum": list(words)}


class Problem(BaseModel):
    """Why something wasn't done: a sentence, and the same as a code with its values."""

    error: str = Field(description="In the visitor's language.")
    code: str
    parameters: dict[str, Any]
    problems: list[str] = Field([], description="Of a list every mistake, each with its place.")


WHY = {
    400: "The request can't be read, or isn't for this machine.",
    401: "Nobody comes in here without an account.",
    403: "The account's role doesn't reach so far, or another page sent it.",
    404: "There is no such bird, photo, act or pen.",
    408: "The rest of the request came too slowly.",
    409: "Something later stands in the way.",
    413: "More than is taken at once.",
    422: "It doesn't fit the records, or can't be read.",
    429: "Tried too often.",
    503: "The records can't be used just now.",
}
PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "description": why} for status, why in WHY.items()
}


class Taken(BaseModel):
    """A photo that was kept."""

    sha256: str
    bird: str = Field(description="Band, empty if not known.")
    new: bool = Field(description="False if this very photo was there already.")
    like: str = Field(description="SHA-256 of an earlier photo that is a near-duplicate.")
    reading: Reading | None
    pile: str
    quality: list[str] = Field(description="Why to take another, while the bird is in the hand.")
    comb: str = Field(description="The proposal in words, in the visitor's language.")
    doubts: list[str] = Field(description="In the visitor's language.")
    asked: str = Field(description="Why the band that was given wasn't taken; empty if it was.")


class CombSeen(BaseModel):
    """A person's look at a photo."""

    model_config = example(comb="walnut", by="Ada", blind=True)

    comb: str = Field(
        "",
        description="Empty for 'can't tell', none_of_these for another comb.",
        json_schema_extra=one_of("", *SEEN),
    )
    by: str = ""
    blind: bool = False


class Seen(BaseModel):
    """Crest, beard and wattles as seen on a bird; null is not looked at."""

    model_config = example(crest=True, beard=False, wattles="small", on="2026-09-05", by="Ada")

    crest: bool | None = None
    beard: bool | None = None
    wattles: str = Field("", json_schema_extra=one_of("", *WATTLE_WORDS))
    on: date | None = None
    by: str = ""


class Decision(BaseModel):
    """The keeper's decision about a bird."""

    model_config = example(
        choice="recheck", reason="the crest hides the comb", recheck="2026-11-15", by="Ada"
    )

    choice: str = Field(json_schema_extra=one_of(*CHOICES))
    reason: str = Field(json_schema_extra={"minLength": 1, "maxLength": MOST_TEXT})
    recheck: date | None = None
    by: str = ""


class Act(BaseModel):
    """An act to be taken back, by its name on the trail or the beginning of that."""

    model_config = example(act="3f9c1a2b", by="Ada")

    act: str
    by: str = ""


class Done(BaseModel):
    """What was done, by the name under which it can be taken back."""

    act: str
    said: Sentence
    birds: list[str] = Field(description="Bands of the birds it touched.")


class Assignment(BaseModel):
    """The bird on a photo; an empty band for nobody yet."""

    model_config = example(bird="17", by="Ada")

    bird: str = Field("", max_length=80)
    new: bool = Field(False, description="Whether the bird isn't on record yet and is made.")
    by: str = ""


class Facts(BaseModel):
    """Facts of a bird; what is left out stays as it is, null takes a day away."""

    model_config = example(sex="hen", hatched="2026-04-11", notes="blue eggs", by="Ada")

    sire: str | None = Field(None, max_length=400)
    dam: str | None = Field(None, max_length=400)
    sex: str | None = Field(None, json_schema_extra=one_of(*SEXES))
    hatched: date | None = None
    genotype: str | None = Field(None, max_length=40)
    variety: str | None = Field(None, max_length=80)
    status: str | None = Field(None, max_length=40)
    notes: str | None = Field(None, max_length=MOST_TEXT)
    by: str = ""

    def given(self) -> dict[str, Any]:
        """Return the facts that were sent."""
        sent = {name: getattr(self, name) for name in self.model_fields_set - {"by"}}
        return {k: v for k, v in sent.items() if v is not None or k == "hatched"}


class NewBird(Facts):
    """A bird that isn't on record yet."""

    model_config = example(band="117", sire="5", dam="12", hatched="2026-04-11", by="Ada")

    band: str = Field(max_length=80)
    hatch: str = Field("", max_length=80)

    def given(self) -> dict[str, Any]:
        """Return the facts that were sent."""
        return {k: v for k, v in super().given().items() if k not in ("band", "hatch")}


class OtherBand(BaseModel):
    """Another band, or another bird by its band."""

    model_config = example(other="118", by="Ada")

    other: str = Field(max_length=80)
    by: str = ""


class Stay(BaseModel):
    """Birds that live in a pen, or leave it."""

    model_config = example(name="Orchard", bands=["5", "12"], since="2026-12-01", by="Ada")

    name: str = Field(max_length=80)
    bands: list[str] = Field(default_factory=list)
    since: date | None = None
    until: date | None = None
    leave: bool = False
    by: str = ""


class Hatch(BaseModel):
    """A hatch and the birds that came from it."""

    model_config = example(
        name="May 2026", pen="Orchard", hatched="2026-05-09", eggs=24, chicks=17, by="Ada"
    )

    name: str = Field(max_length=80)
    pen: str = Field("", max_length=80)
    hatched: date | None = None
    eggs: int | None = Field(None, ge=0, le=MOST_INTEGER)
    chicks: int | None = Field(None, ge=0, le=MOST_INTEGER)
    bands: list[str] = Field(default_factory=list)
    by: str = ""


class Counted(BaseModel):
    """Chicks of a mating by comb word."""

    model_config = example(
        sire="5", dam="12", chicks={"walnut": 4, "single": 3}, purpose="test", by="Ada"
    )

    sire: str
    dam: str
    chicks: dict[str, Annotated[int, Field(ge=0, le=MOST_INTEGER)]] = Field(
        json_schema_extra={"propertyNames": one_of(*SAID)}
    )
    purpose: str = Field("breeding", json_schema_extra=one_of(*PURPOSES))
    started: date | None = None
    by: str = ""


class SignIn(BaseModel):
    """Who comes in, over the network."""

    model_config = example(name="Ada", password="three dry words")  # noqa: S106

    name: str = Field(max_length=80)
    password: str = Field(max_length=1000)


class WhoAmI(BaseModel):
    """Who asks, and what they may do; at the machine itself there is no name."""

    name: str
    role: str


class Label(BaseModel):
    """The band on a label."""

    band: str
