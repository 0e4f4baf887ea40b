"""The shipped weights and their card."""

import json
import shutil

import pytest

from classifier.card import CARD, SHIPPED, WEIGHTS, CardError, load_card
from classifier.reader import Reader


def test_the_weights_are_those_of_the_card_and_small(reader):
    path = SHIPPED / WEIGHTS
    assert path.stat().st_size == reader.card.document["weights"]["bytes"] < 20_000_000
    assert sum(reader.card.prior) == pytest.approx(1)


def test_the_card_says_where_its_data_and_labels_come_from():
    document = load_card().document
    assert "not poultry judges" in document["training"]["labels"]
    sources = document["data"][0]["sources"]
    assert set(sources) == {"Animals-10", "Caltech-101", "Chicks4FreeID"}
    assert document["data"][0]["published_here"] is False


def test_the_cards_scores_clear_the_bars_on_photographs():
    scores = load_card().document["scores"]
    given = scores["photographs, split check, given boxes of 40 px or more"]
    assert given["single_against_rest_auc"] >= 0.975
    assert given["cases"] == sum(map(sum, given["confusion"]["counts"]))
    assert scores["photographs, split check, head finder"]["recall"] >= 0.80
    assert given["plausible_coverage"] >= 0.93
    assert given["ece"] <= given["ece_95_percent_of_perfectly_calibrated_below"]
    wrong, settled = given["settled_wrong"]
    assert wrong <= 0.03 * settled
    assert settled >= 0.6 * given["cases"]
    found = scores["photographs, split check, box given and found, 40 px or more"]
    coarse = found["coarse_balanced_accuracy"]
    assert coarse["found"] >= coarse["given"] - 0.02
    assert scores["photographs, split check, unclear or disagreed on"]["share"] <= 0.08
    crests = "renders of single combs under crests never used in training, whole photos"
    for name in (crests, "photographs, split check, whole photos, crested"):
        assert scores[name]["single_settled_as_walnut"] == 0


def test_strange_weights_are_refused(tmp_path):
    for name in (WEIGHTS, CARD):
        shutil.copy(SHIPPED / name, tmp_path / name)
    with (tmp_path / WEIGHTS).open("r+b") as file:
        file.seek(100_000)
        file.write(b"zzzz")
    with pytest.raises(CardError, match="aren't the weights"):
        Reader(tmp_path)
    (tmp_path / CARD).write_text(json.dumps({"model": "x"}))
    with pytest.raises(CardError, match="lacks"):
        Reader(tmp_path)
    (tmp_path / CARD).unlink()
    with pytest.raises(CardError, match="no model card"):
        Reader(tmp_path)
