"""Codes and their words: each code is said somewhere, has German words, and all its values."""

from __future__ import annotations

import ast
import re
import string
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import classifier.messages
import genetics.messages
from service.wording import catalogue
from service.wording.language import LANGUAGES, current, speak
from service.wording.sentences import Message, as_data, from_data, say, templates
from tests.conftest import ROOT

MAKERS = re.compile(
    r"^(Message|Doubt|complain|wrong|\w+Error|Refusal|NotFound|Clash|UsageMistake|TooWide|Impossible|add|certain|Culprit)$"
)
# Values that the makers add themselves, or that say where.
ADDED = {"complain": {"value"}, "wrong": {"value"}}
BESIDE = {"place", "of"}
# Codes that are put together in code, each with the place that does it.
MADE_UP = {
    # service/flock/contradictions.py, by layer and side
    "culprit_sire", "culprit_dam", "culprit_crest", "culprit_beard", "culprit_comb",
    "culprit_genotype", "record_crest_there", "record_crest_absent", "record_beard_there",
    "record_beard_absent",
    # service/flock/held_out_errors.py, by pile
    "alike_sure_settled", "alike_sure_open", "alike_settled", "alike_open",
    # service/web/guard.py and pages.py, by role
    "may_look", "may_read", "may_decide", "may_own",
    "way_intercross", "way_back-to-the-walnut", "way_back-to-the-variety",  # by name of the way
}  # fmt: skip


def placeholders(template: str) -> set[str]:
    """Names of the values that a template needs."""
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def needed(code: str) -> set[str]:
    """Names of the values that a code needs."""
    return {name for text in templates()[code].values() for name in placeholders(text)}


@cache
def calls() -> tuple[tuple[str, str, str, frozenset[str], bool], ...]:
    """Where, maker, code, names given, and whether more may come by **, of every coded sentence."""
    found = []
    for package in ("genetics", "classifier", "service"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call):
                    continue
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                codes = [
                    part.value
                    for argument in node.args
                    for part in ast.walk(argument)
                    if isinstance(part, ast.Constant) and part.value in templates()
                ]
                if MAKERS.match(name) and codes:
                    given = frozenset(k.arg for k in node.keywords if k.arg)
                    more = any(k.arg is None for k in node.keywords)
                    where = f"{path.relative_to(ROOT)}:{node.lineno}"
                    found += [(where, name, code, given, more) for code in codes]
    return tuple(found)


def each(text: Any) -> tuple[str, ...]:
    """A message, or its singular and plural."""
    return tuple(text) if isinstance(text, list | tuple) else (text,)


def test_every_sentence_is_made_with_all_the_values_that_it_needs():
    assert len(calls()) > 250
    for where, name, code, given, more in calls():
        if name in ("Culprit", "add", "certain"):
            continue
        lacking = needed(code) - given - ADDED.get(name, set())
        assert not lacking or more, f"{where}: {code} lacks {lacking}"


def test_every_code_is_said_somewhere():
    text = "\n".join(
        path.read_text(encoding="utf-8")
        for package in ("genetics", "classifier", "service")
        for path in (ROOT / package).rglob("*.py")
    )
    for code in templates():
        assert code in MADE_UP or f'"{code}"' in text, f"nobody says {code}"


def test_codes_that_two_packages_share_mean_the_same():
    mine = genetics.messages.templates()
    for code, template in classifier.messages.templates().items():
        assert mine.get(code, template) == template, code


def test_every_error_says_what_to_do():
    raised = {
        code
        for _, name, code, _, _ in calls()
        if name not in ("Message", "Doubt", "Culprit", "add", "certain")
    }
    assert len(raised) > 150
    for code in sorted(raised):
        assert templates()[code].get("remedy"), code


@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != "en"])
def test_every_sentence_has_words_in_every_language(code):
    kept, said = catalogue.load_catalogue(code), catalogue.messages()
    for message in said:
        if not message.id:
            continue
        other = kept.get(message.id)
        assert other is not None, message.id
        texts, ids = each(other.string), each(message.id)
        assert all(texts), message.id
        for one, mine in zip(texts, ids, strict=False):
            marks = r"\{[^{}]*\}|%\(\w+\)s"
            assert sorted(re.findall(marks, one)) == sorted(re.findall(marks, mine)), message.id


# What a value may be that goes into a sentence, by its name; a number for all others.
SAMPLES: dict[str, Any] = {
    "comb": "triple_pea", "combs": ("rose", "walnut"), "seen": "rose", "due": "pea", "sex": "hen",
    "size": "small", "choice": "keep", "what": "pen",
}  # fmt: skip
# English words that may stand in a German sentence: names of ours, of files, of options; words
# that both languages have.
SHARED = set((Path(__file__).parent / "shared_words.txt").read_text(encoding="utf-8").split())


@cache
def english() -> set[str]:
    """Words of the English templates, and of no German one: none may be left on a German page."""
    words = re.compile(r"[a-z]{3,}")
    ours = {w for t in templates().values() for s in t.values() for w in words.findall(s.lower())}
    kept = [message for message in catalogue.load_catalogue("de") if message.id]
    ours |= {w for m in kept for text in each(m.id) for w in words.findall(text.lower())}
    theirs = {w for m in kept for text in each(m.string) for w in words.findall(text.lower())}
    return ours - theirs - SHARED


def sample(code: str) -> Message:
    """A sentence of a code with made-up values."""
    values = {}
    for name in needed(code):
        values[name] = SAMPLES.get(name, 3)
    return Message(code, **values)


@pytest.mark.parametrize("code", sorted(templates()))
def test_a_german_sentence_has_no_english_word_left(code):
    token = current.set("en")
    try:
        speak("de")
        text = say(sample(code))
        remedy = templates()[code].get("remedy")
        if remedy:
            from service.wording.sentences import filled

            text += " " + filled(remedy, sample(code).values)
    finally:
        current.reset(token)
    quoted = re.sub(r"'[^']*'|`[^`]*`|\{[^}]*\}|--\w[\w-]*|\w+=\w+", "", text)
    left = set(re.findall(r"[a-z]{3,}", quoted.lower())) & english()
    assert not left, f"{code}: {text!r} has {left}"


def test_a_sentence_survives_being_kept_as_json():
    inner = Message("odds_about", number=2500)
    whole = Message("conflict_comb", source=Message("source_photo", name="17.jpg"), comb="rose",
                    odds=inner)  # fmt: skip
    back = from_data(as_data(Message("change_conflict", conflict=whole)))
    assert back == Message("change_conflict", conflict=whole)
    assert say(back) == (
        "conflict: photo 17.jpg says rose, which its relatives make all but impossible "
        "(about 1 in 2,500 before the reading)"
    )


def test_words_within_a_sentence_are_translated_too():
    token = current.set("de")
    try:
        said = say(Message("photo_and_relatives", seen="rose", due="crest_folded_single"))
    finally:
        current.reset(token)
    assert "Rosenkamm" in said
    assert "rose," not in said
