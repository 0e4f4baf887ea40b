"""What programs send and get under /api/v1, as it is described for them."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, Field

from genetics.evidence import SAID, WATTLE_WORDS
from service.records.corrections import SEXES
from service.records.entries import CHOICES, PURPOSES
from service.records.limits import MOST_INTEGER, MOST_TEXT
from service.records.states import SEEN


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
    reading: dict[str, Any] | None = Field(description="As `combwright read --json` prints it.")
    pile: str
    quality: list[str] = Field(description="Why to take another, while the bird is in the hand.")
    comb: str = Field(description="The proposal in words, in the visitor's language.")
    doubts: list[str] = Field(description="In the visitor's language.")
    asked: str = Field(description="Why the band that was given wasn't taken; empty if it was.")


class CombSeen(BaseModel):
    """A person's look at a photo."""

    comb: str = Field(
        "",
        description="Empty for 'can't tell', none_of_these for another comb.",
        json_schema_extra=one_of("", *SEEN),
    )
    by: str = ""
    blind: bool = False


class Seen(BaseModel):
    """Crest, beard and wattles as seen on a bird; null is not looked at."""

    crest: bool | None = None
    beard: bool | None = None
    wattles: str = Field("", json_schema_extra=one_of("", *WATTLE_WORDS))
    on: date | None = None
    by: str = ""


class Decision(BaseModel):
    """The keeper's decision about a bird."""

    choice: str = Field(json_schema_extra=one_of(*CHOICES))
    reason: str = Field(json_schema_extra={"minLength": 1, "maxLength": MOST_TEXT})
    recheck: date | None = None
    by: str = ""


class Act(BaseModel):
    """An act to be taken back, by its name on the trail or the beginning of that."""

    act: str
    by: str = ""


class Done(BaseModel):
    """What was done, by the name under which it can be taken back."""

    act: str
    said: dict[str, Any] = Field(description="Code, parameters, and the sentence.")
    birds: list[str] = Field(description="Bands of the birds it touched.")


class Assignment(BaseModel):
    """The bird on a photo; an empty band for nobody yet."""

    bird: str = Field("", max_length=80)
    new: bool = Field(False, description="Whether the bird isn't on record yet and is made.")
    by: str = ""


class Facts(BaseModel):
    """Facts of a bird; what is left out stays as it is, null takes a day away."""

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

    band: str = Field(max_length=80)
    hatch: str = Field("", max_length=80)

    def given(self) -> dict[str, Any]:
        """Return the facts that were sent."""
        return {k: v for k, v in super().given().items() if k not in ("band", "hatch")}


class OtherBand(BaseModel):
    """Another band, or another bird by its band."""

    other: str = Field(max_length=80)
    by: str = ""


class Stay(BaseModel):
    """Birds that live in a pen, or leave it."""

    name: str = Field(max_length=80)
    bands: list[str] = Field(default_factory=list)
    since: date | None = None
    until: date | None = None
    leave: bool = False
    by: str = ""


class Hatch(BaseModel):
    """A hatch and the birds that came from it."""

    name: str = Field(max_length=80)
    pen: str = Field("", max_length=80)
    hatched: date | None = None
    eggs: int | None = Field(None, ge=0, le=MOST_INTEGER)
    chicks: int | None = Field(None, ge=0, le=MOST_INTEGER)
    bands: list[str] = Field(default_factory=list)
    by: str = ""


class Counted(BaseModel):
    """Chicks of a mating by comb word."""

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

    name: str = Field(max_length=80)
    password: str = Field(max_length=1000)


class WhoAmI(BaseModel):
    """Who asks, and what they may do; at the machine itself there is no name."""

    name: str
    role: str


class Label(BaseModel):
    """The band on a label."""

    band: str
