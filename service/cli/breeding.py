"""Commands about genetics: cross, candidates, test-mating, counts, plan."""

from __future__ import annotations

import gc
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from rich.table import Table

from genetics.rates import Rates
from service.cli.shared import Day, Json, app, bar, day_of, flock_from, out, print_array, print_json
from service.errors import NotFound, UsageMistake
from service.settings import from_environment
from service.wording.numbers import percent
from service.wording.sentences import say, word

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from service.flock.candidates import Candidate
    from service.flock.matings import KnownFlock, Subject

USUAL = "the usual one if left out (see `combwright numbers fertility`)."
Fertility = Annotated[float | None, typer.Option(help=f"Share of eggs that are fertile; {USUAL}")]
HatchRate = Annotated[float | None, typer.Option(help=f"Share of fertile eggs that hatch; {USUAL}")]
Rearing = Annotated[
    float | None, typer.Option(help=f"Share of chicks that live to be scored; {USUAL}")
]


def rates_from(fertility: float | None, hatch: float | None, rearing: float | None) -> Rates:
    """Return the rates that were given, and the usual or the user's own for those that weren't."""
    from genetics.planning import usual_rates

    usual = usual_rates()
    return Rates(
        usual.fertility if fertility is None else fertility,
        usual.hatch if hatch is None else hatch,
        usual.rearing if rearing is None else rearing,
    )


@app.command()
def cross(
    sire: Annotated[str, typer.Argument(help="Genotype such as 'R/r+ P/p+'.")],
    dam: Annotated[str, typer.Argument(help="Genotype of the hen.")],
    with_grid: Annotated[bool, typer.Option("--grid", help="Show the Punnett grid.")] = False,
    with_working: Annotated[
        bool, typer.Option("--working", help="Show how it is multiplied out.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Cross two genotypes: what the chicks are and show.

    Linked loci: write what lies on one chromosome side by side, 'R/r+; P O/p+ o+'.
    """
    from service.flock.crosses import cross_answer, cross_lines

    if as_json:
        print_json("cross", cross_answer(sire, dam, with_grid, with_working))
        return
    for piece in cross_lines(sire, dam, with_grid, with_working):
        out.print(piece, highlight=False)


@app.command()
def candidates(
    flock: Annotated[
        Path | None,
        typer.Argument(help="flock.csv, or - for standard input; the birds on record if left out."),
    ] = None,
    counted_chicks: Annotated[
        Path | None,
        typer.Option("--counted", help="CSV of chicks without bands: sire, dam, comb, chicks."),
    ] = None,
    out_file: Annotated[
        Path | None,
        typer.Option("--out", help="Parquet file for the answers, of a flock of any size."),
    ] = None,
    jobs: Annotated[
        int, typer.Option(help="Processes that work for --out; one a core if left out.", min=0)
    ] = 0,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Work out the genotype candidates of every bird."""
    if out_file is not None:
        candidates_to_file(flock, counted_chicks, out_file, jobs, on, as_json)
        return
    if jobs:
        raise UsageMistake("jobs_without_out")
    if flock is None:
        if counted_chicks is not None:
            raise UsageMistake("counted_without_list")
        show_candidates(on_record(on, kept_candidates), as_json)
        return
    from service.flock.candidates import candidates as work_out
    from service.flock.counts_csv import load_counted

    # A large flock is millions of objects, none of them in a cycle: looking for some takes seconds.
    gc.disable()
    day = day_of(on)
    birds = flock_from(flock)
    counts = load_counted(counted_chicks, birds) if counted_chicks else ()
    with bar(as_json) as progress:
        task = progress.add_task("too complex for an exact answer: sampling", total=1.0)
        progress.update(task, visible=False)
        found = work_out(
            birds,
            {},
            [1 / 6] * 6,
            day,
            counts,
            lambda share: progress.update(task, completed=share, visible=True),
        )
    show_candidates(found, as_json)


def candidates_to_file(
    flock: Path | None, counts: Path | None, file: Path, jobs: int, on: str, as_json: bool
) -> None:
    """Write the candidates of a list, or of all birds on record, into a Parquet file."""
    from service.bulk.pedigrees import Way, check_out, list_to_file, records_to_file
    from service.bulk.processes import cores

    check_out(file)
    if flock is None and counts is not None:
        raise UsageMistake("counted_without_list")
    way = Way(from_environment(), day_of(on), jobs or cores())
    with bar(as_json) as progress:
        task = progress.add_task("birds", total=None)

        def told(birds: int) -> None:
            progress.advance(task, birds)

        if flock is None:
            from service.installation import open_store
            from service.model import training_prior

            birds = records_to_file(open_store(way.settings), file, way, training_prior(), told)
        else:
            from service.bulk.lists import open_list
            from service.flock.counts_csv import load_count_rows

            rows = load_count_rows(counts) if counts else []
            birds = list_to_file(open_list(flock), file, way, told, (str(counts or ""), rows))
    if as_json:
        print_json("written", {"file": str(file), "birds": birds})
    else:
        out.print(f"{birds} birds: {file}", highlight=False, soft_wrap=True)


def show_candidates(found: Sequence[Candidate], as_json: bool) -> None:
    """Print the candidates of some birds."""
    if as_json:
        print_array("candidates", (c.as_json() for c in found))
        return
    table = Table("bird", "likeliest genotypes", "comb", "conflict")
    for c in found:
        ranked = sorted(c.genotypes.items(), key=lambda item: -item[1])[:3]
        best = max(c.combs, key=c.combs.__getitem__)
        names = ", ".join(f"{g} {percent(p)}" for g, p in ranked if p >= 0.02)
        conflict = say(c.conflict.message) if c.conflict else ""
        table.add_row(c.bird, names, word(best), conflict)
    out.print(table)
    if found and found[0].caution:
        out.print(say(found[0].caution), highlight=False)


Found = TypeVar("Found")


def on_record(on: str, ask: Callable[[Session], Found]) -> Found:
    """Return what is asked of the records, once they are worked out."""
    from service.answers.whole_flock import brought_up_to_date
    from service.installation import open_store
    from service.model import training_prior

    store = brought_up_to_date(open_store(from_environment()), training_prior(), day_of(on))
    with store.reading() as session:
        return ask(session)


def kept_candidates(session: Session) -> list[Candidate]:
    """Return the candidates of all birds on record."""
    from service.answers.whole_flock import kept_candidates as kept

    return kept(session)


def known_birds(flock: Path | None, on: str) -> KnownFlock:
    """Return the birds of a list, or those on record without one, with what is known of each."""
    from service.answers.whole_flock import known_flock
    from service.flock.matings import known_list

    if flock is not None:
        return known_list(flock_from(flock), day_of(on))
    return on_record(on, known_flock)


@app.command(name="test-mating")
def mating_test_command(
    bird: Annotated[
        str,
        typer.Argument(help="Genotype with ? for what is open, 'R/? P/?', or a band."),
    ],
    mate: Annotated[str, typer.Argument(help="Genotype of the mate, or a band.")] = "r+/r+ p+/p+",
    asked: Annotated[
        str,
        typer.Option(
            "--locus", help="R or P: which recessive may be hidden; or a wanted genotype 'R/R P/P'."
        ),
    ] = "R",
    certainty: Annotated[float, typer.Option(help="Wanted certainty.")] = 0.95,
    fertility: Fertility = None,
    hatch: HatchRate = None,
    rearing: Rearing = None,
    scored: Annotated[
        list[str] | None,
        typer.Option("--scored", help="Chicks in their order, as walnut=5; repeatable."),
    ] = None,
    flock: Annotated[
        Path | None,
        typer.Option("--flock", help="flock.csv that holds the bands; else the records do."),
    ] = None,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Plan a test mating: chicks and eggs that tell."""
    from service.flock.matings import mating_test, subject_of_genotype, testers

    ranked: list[tuple[str, float]] = []
    birds: dict[str, Subject] = {}
    banded = flock is not None or "/" not in bird or "/" not in mate
    if banded:
        known = known_birds(flock, on)
        listed, birds = known.flock, known.subjects
        for band in (bird, mate):
            if "/" not in band and band not in birds:
                raise not_there(band, flock)
        if bird in birds and not listed.birds[listed.row(bird)].sex:
            raise UsageMistake("sex_not_noted", band=bird)
        ranked = testers(listed, birds, bird, asked) if bird in birds else []
    answer = mating_test(
        birds[bird] if bird in birds else subject_of_genotype(bird),
        birds[mate] if mate in birds else subject_of_genotype(mate),
        asked,
        certainty,
        rates_from(fertility, hatch, rearing),
        in_order(scored or []),
    )
    if banded:
        answer["testers"] = [{"bird": b, "telling_chick": share} for b, share in ranked]
    print_json("test-mating", answer) if as_json else show_mating_test(bird, answer, ranked)


def not_there(band: str, flock: Path | None) -> UsageMistake | NotFound:
    """Return the refusal of a band that is neither on the list nor on record."""
    if flock is None:
        return NotFound("no_such_bird", band=band)
    return UsageMistake("band_not_on_list", band=band, file=flock)


def show_mating_test(bird: str, answer: dict[str, Any], ranked: list[tuple[str, float]]) -> None:
    """Print a test mating worked out, and the best testers at hand."""
    from service.flock.matings import mating_test_rows

    say_cautions(answer["caution"])
    table = Table(f"test mating of {bird} with {answer['mate']}", "")
    for name, value in mating_test_rows(answer):
        table.add_row(name, value)
    out.print(table)
    if ranked:
        best = ", ".join(f"{b} ({share:.0%})" for b, share in ranked[:5])
        out.print(
            f"Best testers at hand, by the share of chicks that tell: {best}", highlight=False
        )


@app.command()
def counts(
    sire: Annotated[str, typer.Argument(help="Genotype of the cock, or his band.")],
    dam: Annotated[str, typer.Argument(help="Genotype of the hen, or her band.")],
    chicks: Annotated[list[str], typer.Argument(help="Chicks by comb, as walnut=5 single=2.")],
    flock: Annotated[
        Path | None,
        typer.Option("--flock", help="flock.csv that holds the bands; else the records do."),
    ] = None,
    on: Day = "",
    as_json: Json = False,
) -> None:
    """Test whether parents can have thrown the chicks counted."""
    from service.flock.matings import counts_test, sentence, subject_of_genotype

    if flock or "/" not in sire or "/" not in dam:
        known = known_birds(flock, on)
        listed, birds = known.flock, known.subjects
        for band, sex in ((sire, "cock"), (dam, "hen")):
            if band not in birds:
                raise not_there(band, flock)
            if listed.birds[listed.row(band)].sex not in ("", sex):
                raise UsageMistake("is_no", band=band, sex=sex)
        parents = birds[sire], birds[dam]
    else:
        parents = subject_of_genotype(sire), subject_of_genotype(dam)
    answer = counts_test(*parents, parse_counts(chicks))
    if as_json:
        print_json("counts", answer)
        return
    say_cautions(*(sentence(who.caution) for who in parents))
    table = Table("comb", "counted", "expected")
    for row in answer["classes"]:
        table.add_row(row["comb"].replace("_", " "), str(row["observed"]), f"{row['expected']:.1f}")
    out.print(table)
    out.print(f"Tested: {answer['sire']} x {answer['dam']}", highlight=False)
    out.print(f"{answer['method']}, p = {answer['p_value']:.3g}: {answer['verdict']}.")
    for pair in answer["better_parents"]:
        out.print(
            f"  {percent(pair['probability'])}  {pair['sire']}  x  {pair['dam']}", highlight=False
        )


def say_cautions(*words: str) -> None:
    """Say once what an approximate answer must say of itself."""
    for line in dict.fromkeys(filter(None, words)):
        out.print(line, highlight=False)


def in_order(words: list[str]) -> list[str]:
    """Arguments such as `walnut=5` to chicks in their order; a comb may come again."""
    found = []
    for text in words:
        for name, number in parse_counts([text]).items():
            found += [name] * number
    return found


def parse_counts(words: list[str]) -> dict[str, int]:
    """Arguments such as `walnut=5` to counts by comb."""
    found: dict[str, int] = {}
    for text in words:
        name, _, number = text.partition("=")
        if not number.strip().isdecimal():
            raise UsageMistake("not_comb_and_count", text=text)
        if name in found:
            raise UsageMistake("comb_counted_twice", comb=name)
        found[name] = int(number)
    return found


@app.command()
def numbers(
    table: Annotated[
        str, typer.Argument(help="loci, combs, varieties, fertility or strategy.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Print the numbers that everything rests on, with sources.

    To change some, write them into a file of your own and name it with COMBWRIGHT_NUMBERS.
    """
    from genetics.numbers import TABLES, source, toml

    if table and table not in TABLES:
        raise UsageMistake("no_such_table", table=table, known=tuple(TABLES))
    wanted = (table,) if table else TABLES
    if as_json:
        print_json("numbers", {name: toml(name) for name in wanted})
        return
    for name in wanted:
        print(f"# {name}\n\n{source(name)}")
