"""The public functions, a thin layer over the packages that do the work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path

from classifier.reading import Reading
from genetics.cross import Cross
from genetics.cross import cross as cross_genotypes
from service.flock.candidates import Candidate, candidates
from service.flock.flock_csv import Bird, connect_list, load_flock, parse_flock
from service.flock.flock_csv import Listed as _Listed

__all__ = ["Bird", "Candidate", "Cross", "Reading", "cross", "infer", "read"]
Box = tuple[float, float, float, float]


def cross(sire: str, dam: str) -> Cross:
    """Return what a mating gives: genotypes and combs of the chicks with exact shares.

    Genotypes are written the trade's way, `"R/r+ P/p+"`; linked loci side by side,
    `"R/r+; P O/p+ o+"`. Raises `genetics.errors.GeneticsError` for one that can't be read.

    >>> {comb: str(share) for comb, share in cross("R/r+ P/P", "r+/r+ p+/p+").combs.items()}
    {'single_blade_pea': '1/2', 'walnut': '1/2'}
    """
    return cross_genotypes(sire, dam)


def infer(
    flock: str | Path | Iterable[Bird],
    readings: Mapping[str, Sequence[Reading]] | None = None,
    on: date | None = None,
) -> dict[str, Candidate]:
    """Return the genotype candidates of every bird of a flock, by band.

    Args:
        flock: The path of a flock list, its text (flock.csv), or its birds.
        readings: What photos of some birds say, by band, as `read` returns it.
        on: The day for ages; wattles say nothing without one.

    Raises `service.errors.FlockError` for a list that can't be used.

    >>> chick = infer([Bird("C", genotype="R/R P/P"), Bird("1", sire="C")])["1"]
    >>> f"{chick.genotypes['R/R P/P']:.2f} {chick.genotypes['r+/r+ p+/p+']:.2f}"
    '0.25 0.00'
    """
    if isinstance(flock, Path):
        birds = load_flock(flock)
    elif isinstance(flock, str):
        birds = parse_flock(flock) if "\n" in flock else load_flock(Path(flock))
    else:
        birds = connect_list(_Listed(tuple(flock), ()), "the flock")
    prior: Sequence[float] = [1 / 6] * 6
    if readings:
        from service.model import training_prior

        prior = training_prior()
    photos = {band: list(some) for band, some in (readings or {}).items()}
    return {found.bird: found for found in candidates(birds, photos, prior, on)}


def read(photo: str | Path, box: Box | None = None) -> Reading:
    """Return what a head photo shows: comb, crest, beard, wattles, doubts and pile.

    Args:
        photo: The path of a JPEG, PNG, WebP, TIFF or HEIC file.
        box: The head in pixels of the upright photo (x0, y0, x1, y1), if it is known.

    Raises `classifier.photo.PhotoError` for what is no photo.
    """
    from classifier.photo import open_photo
    from service.model import default_reader

    return default_reader().read([open_photo(Path(photo))], [box])[0]
