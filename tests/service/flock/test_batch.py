"""Sorting a batch: whose photo is whose, several photos of one bird, relatives against photos."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from PIL import Image

from classifier.messages import Doubt
from service.errors import BatchError
from service.flock.batch import owners, photos_in, sort_batch
from service.flock.flock_csv import parse_flock
from tests.classifier.test_reading import reading

FLAT = [1 / 6] * 6
WALNUT = (0.01, 0.01, 0.01, 0.01, 0.01, 0.95)
SINGLE = (0.95, 0.01, 0.01, 0.01, 0.01, 0.01)
PEN = (
    "bird,sire,dam,sex,hatched,comb,crest,beard,genotype\n"
    "c,,,cock,2024-01-01,walnut,no,no,R/R P/P\n"
    "h,,,hen,2024-01-01,single,no,no,\n"
    "9,c,h,,2025-03-01,,no,no,\n"
    "10,c,h,,2025-03-01,,no,no,\n"
)


def sort(by_name, text=PEN):
    photos = [Path(name) for name in by_name]
    flock = parse_flock(text) if text else None
    readings = {p: replace(r, photo=p.name) for p, r in zip(photos, by_name.values(), strict=True)}
    return sort_batch(photos, readings, [], flock, FLAT, date(2026, 1, 1))


def test_photos_are_found_in_natural_order_and_other_files_left_alone(tmp_path):
    for name in ("10.jpg", "9.JPG", "notes.txt", ".hidden.jpg"):
        (tmp_path / name).write_bytes(b"x")
    Image.new("RGB", (20, 20)).save(tmp_path / "9-2.png")
    assert [p.name for p in photos_in(tmp_path)] == ["9-2.png", "9.JPG", "10.jpg"]


def test_a_folder_without_photos_is_told(tmp_path):
    with pytest.raises(BatchError, match="no photos here"):
        photos_in(tmp_path)


def test_photos_belong_to_birds_by_the_list_by_stem_and_by_ending():
    flock = parse_flock("bird,photo\n9,IMG_1.jpg; IMG_2.jpg\n10,\n10-2,\n")
    names = ["IMG_1.jpg", "IMG_2.jpg", "10.jpg", "10-1.jpg", "10-2.jpg", "10 (3).jpg", "x-1.jpg"]
    found = owners([Path(n) for n in names], flock)
    assert {b: [p.name for p in ps] for b, ps in found.items()} == {
        "9": ["IMG_1.jpg", "IMG_2.jpg"],
        "10": ["10.jpg", "10-1.jpg", "10 (3).jpg"],
        "10-2": ["10-2.jpg"],
        "x-1": ["x-1.jpg"],
    }


def test_a_clear_chick_in_keeping_with_its_parents_is_settled():
    item = sort({"9.jpg": reading(comb=WALNUT)}).items[0]
    assert (item.bird, item.pile, item.proposal, item.reasons) == ("9", "settled", "walnut", ())


def test_a_clear_comb_that_the_parents_cannot_give_is_looked_at_again():
    item = sort({"9.jpg": reading(comb=SINGLE)}).items[0]
    assert item.pile == "second_look"
    assert "all but impossible" in str(item.reasons[0])


def test_without_a_flock_list_the_photo_speaks_alone():
    item = sort({"9.jpg": reading(comb=SINGLE)}, text="").items[0]
    assert (item.pile, item.proposal, item.candidate) == ("settled", "single", None)


def test_photos_that_disagree_are_a_reason():
    batch = sort({"9.jpg": reading(comb=WALNUT), "9-2.jpg": reading(comb=SINGLE)})
    assert len(batch.items) == 1
    assert any(r.code == "photos_disagree" for r in batch.items[0].reasons)


def test_one_good_photo_makes_up_for_a_bad_one():
    bad = reading(pile="new_photo", doubts=(Doubt("blurred"),))
    item = sort({"9.jpg": bad, "9-2.jpg": reading(comb=WALNUT)}).items[0]
    assert item.pile == "settled"


def test_bad_photos_alone_ask_for_a_new_one():
    item = sort({"9.jpg": reading(pile="new_photo", doubts=(Doubt("blurred"),))}).items[0]
    assert (item.pile, item.proposal, item.reasons) == ("new_photo", None, (Doubt("blurred"),))


def test_none_of_these_proposes_nothing():
    odd = reading(none_of_these=0.9, doubts=(Doubt("none_of_six", chance=0.9),))
    item = sort({"9.jpg": odd}).items[0]
    assert (item.pile, item.proposal) == ("second_look", None)
    assert item.candidate is not None
    assert item.confidence == pytest.approx(0.1 * max(item.candidate.combs.values()))


def test_a_crest_that_the_keeper_noted_outranks_the_photo():
    text = PEN.replace("9,c,h,,2025-03-01,,no,no,", "9,,,,2025-03-01,,yes,no,")
    uncrested = reading(comb=(0.01, 0.1, 0.01, 0.01, 0.01, 0.86), crest=0.05)
    item = sort({"9.jpg": uncrested}, text).items[0]
    assert any(r.code == "crest_may_fold" for r in item.reasons)


def test_birds_without_a_photo_are_listed():
    assert sort({"9.jpg": reading(comb=WALNUT)}).unseen == ("c", "h", "10")
