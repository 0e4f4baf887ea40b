"""What a buyer of hatching eggs or chicks is told of a pen, in words and shares."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy.orm import Session

from classifier.vocabulary import COARSE
from genetics.combs import CLASSES, Array, penetrance
from genetics.cross import transmission
from genetics.genotype import index_of
from service.answers.assessments import assess_birds
from service.errors import NotFound
from service.records.tables import PenRow
from service.views.pens_and_hatches import Pen, genotypes, pens
from service.wording.numbers import percent
from service.wording.sentences import Message

PURE = index_of("R/R P/P")
SURE = 0.95  # of a parent's genotype, from which it is called known
KNOWN = 0.995  # of a share, from which chicks are called all alike


@dataclass(frozen=True)
class ForBuyer:
    """A pen as a buyer is told of it."""

    pen: Pen
    on: date
    combs: dict[str, float]
    """Share of the chicks by coarse comb, every pair laying alike."""
    true_breeding: float
    """Share of chicks that are R/R P/P."""
    sentences: tuple[Message, ...]


def for_buyer(session: Session, number: int, on: date) -> ForBuyer:
    """Return what to tell a buyer of a pen. Raises NotFound for an unknown one."""
    if session.get(PenRow, number) is None:
        raise NotFound("no_such_group")
    pen = next(one for one in pens(session) if one.id == number)
    chances = genotypes(session, [*pen.cocks, *pen.hens])
    cocks = [chances[b] for b in pen.cocks if b in chances]
    hens = [chances[b] for b in pen.hens if b in chances]
    if not cocks or not hens:
        return ForBuyer(pen, on, {}, 0.0, (Message("buyer_no_pair"),))
    law = transmission()
    chicks = np.mean([np.einsum("s,d,sdc->c", s, d, law) for s in cocks for d in hens], axis=0)
    shown = dict(zip(CLASSES, (chicks @ penetrance(False)).tolist(), strict=True))
    combs = {word: sum(shown[c] for c in of) for word, of in COARSE.items()}
    pure = float(chicks[PURE])
    said = (
        *about_chicks(combs, pure, pen),
        *about_parents(session, pen, chances),
    )
    return ForBuyer(pen, on, combs, pure, said)


def about_chicks(combs: dict[str, float], pure: float, pen: Pen) -> list[Message]:
    """Return what the chicks will show, and whether they breed true."""
    likeliest = max(combs, key=combs.__getitem__)
    said = []
    if combs[likeliest] >= KNOWN:
        said.append(Message("buyer_all_alike", comb=likeliest))
    if pen.single is not None:
        about, most = round(100 * pen.single), round(100 * pen.most)
        if most == 0:
            said.append(Message("buyer_no_single"))
        elif about == most:
            said.append(Message("buyer_singles", about=about))
        else:
            said.append(Message("buyer_singles_perhaps", about=about, most=most))
    if pure >= KNOWN:
        said.append(Message("buyer_true_breeding"))
    elif pure >= 0.005:
        said.append(Message("buyer_some_true_breeding", share=percent(pure)))
    else:
        said.append(Message("buyer_not_true_breeding"))
    return said


def about_parents(session: Session, pen: Pen, chances: dict[str, Array]) -> list[Message]:
    """Return how certain that is, and what it rests on."""
    bands = [band for band in (*pen.cocks, *pen.hens) if band in chances]
    sure = [band for band in bands if float(chances[band].max()) >= SURE]
    items = assess_birds(session, bands)
    blind = [band for band in bands if band in items and items[band].by]
    unseen = [band for band in bands if band not in items]
    said = [Message("buyer_known_parents", sure=len(sure), birds=len(bands))]
    if blind:
        said.append(Message("buyer_read_by_two", number=len(blind)))
    if unseen:
        said.append(Message("buyer_not_seen", number=len(unseen)))
    said.append(Message("buyer_assumptions"))
    return said
