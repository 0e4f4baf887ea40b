"""What a last layer learns: held against a reference library, and against what must not happen."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import softmax
from sklearn.linear_model import LogisticRegression

from classifier.adaptation import last_layer
from classifier.adaptation.bank import Bank, bank_of
from classifier.adaptation.change import Change, changed_card, changed_tensors
from classifier.adaptation.last_layer import Cases, fit, folds_of
from classifier.adaptation.trial import enough, run, sign_flips
from classifier.card import SHIPPED, CardError, load_card
from classifier.networks import kept_tensors
from classifier.outputs import coarse_chances
from classifier.vocabulary import COARSE, COMBS

K = 5


def flock(count=40, shift=3.0, seed=0, looks=2):
    """Heads of two combs that the shipped logits confuse and that one direction tells apart."""
    rng = np.random.default_rng(seed)
    labels = tuple("rose" if i % 2 else "walnut" for i in range(count))
    directions = rng.normal(0, 1, (count, looks, K))
    directions[:, :, 0] += np.where([label == "rose" for label in labels], shift, -shift)[:, None]
    logits = np.zeros((count, looks, len(COMBS)))
    logits[..., COMBS.index("walnut")] = logits[..., COMBS.index("rose")] = 2.0
    names = tuple(f"bird {i}" for i in range(count))
    return Cases(directions, logits, labels, names, names)


def bank(count=60, seed=1):
    """Heads of every comb, each told by its logits, that lie where no flock's heads lie."""
    rng = np.random.default_rng(seed)
    labels = tuple(COMBS[i % len(COMBS)] for i in range(count))
    logits = rng.normal(0, 0.3, (count, len(COMBS)))
    logits[np.arange(count), [COMBS.index(label) for label in labels]] += 4.0
    directions = rng.normal(0, 1, (count, K))
    guard = np.arange(count) % 4 == 0
    return Bank(np.zeros(K), np.eye(K), directions, logits, labels, guard)


def test_the_fit_is_that_of_a_reference_library_where_both_ask_the_same(monkeypatch):
    # scikit-learn's LogisticRegression minimises C * sum(loss) + |w|^2 / 2 with a free intercept;
    # with a bank that counts for nothing and logits of 0 the losses differ by that intercept alone,
    # so the cases are balanced and symmetrical, for which it is 0 in both.
    monkeypatch.setattr(last_layer, "REHEARSAL", 0.0)
    rng = np.random.default_rng(3)
    half = rng.normal(0.7, 1, (30, K))
    x = np.concatenate([half, -half])
    labels = ("rose",) * 30 + ("walnut",) * 30
    names = tuple(map(str, range(60)))
    far = np.full((60, 1, len(COMBS)), -60.0)
    far[..., [COMBS.index("rose"), COMBS.index("walnut")]] = 0.0
    cases = Cases(x[:, None, :], far, labels, names, names)
    ours = fit(cases, bank(), 0.5)
    # Ours has a row for each comb, two that mirror each other: together they weigh half of one.
    reference = LogisticRegression(C=2 / (0.5 * 60), tol=1e-10, max_iter=1000)
    reference.fit(x, np.array(labels) == "rose")
    rows = ours.matrix[COMBS.index("rose")] - ours.matrix[COMBS.index("walnut")]
    assert rows == pytest.approx(reference.coef_[0], rel=1e-3, abs=1e-4)
    assert ours.offsets[COMBS.index("rose")] == pytest.approx(0.0, abs=1e-5)


def test_what_one_direction_tells_is_learned_and_the_bank_stays():
    cases, known = flock(), bank()
    change = fit(cases, known.part(guard=False), 0.1)
    said = softmax(change.logits(cases.directions[:, 0], cases.logits[:, 0]), axis=1)
    right = [said[i, COMBS.index(label)] for i, label in enumerate(cases.labels)]
    assert np.mean(np.array(right) > 0.6) > 0.95
    before = known.chances
    after = softmax(change.logits(known.directions, known.logits), axis=1)
    same = coarse_chances(before).argmax(1) == coarse_chances(after).argmax(1)
    assert same.mean() > 0.9


def test_combs_count_alike_however_many_birds_of_each_there_are():
    cases = flock(40)
    few = cases.of(np.array([i for i in range(40) if i % 2 or i < 8]))
    weights, labels = few.weights(), np.array(few.labels)
    assert weights[labels == "rose"].sum() == pytest.approx(0.5)
    assert weights[labels == "walnut"].sum() == pytest.approx(0.5)


def test_a_bird_with_many_photos_counts_once():
    cases = flock(6)
    twice = replace(cases, birds=("a", "b", "a", "b", "a", "c"))
    assert twice.weights()[[0, 2, 4]].sum() == pytest.approx(0.5)
    assert twice.weights()[5] == pytest.approx(0.25)


def test_folds_hold_each_group_out_once_and_spread_the_rare_comb():
    groups = [f"hatch {i // 4}" for i in range(40)]
    coarse = tuple("walnut" if i // 4 in (1, 4, 6, 8, 9) else "single" for i in range(40))
    held = folds_of(groups, coarse, 5)
    assert sorted(np.concatenate(held).tolist()) == list(range(40))
    for some in held:
        rest = set(range(40)) - set(some.tolist())
        assert not {groups[i] for i in some} & {groups[i] for i in rest}
        assert sum(coarse[i] == "walnut" for i in some) == 4


def test_a_useful_change_is_better_and_a_useless_one_is_not():
    known = bank()
    found = run(flock(), known)
    assert found.better, found.against
    assert found.report["balanced_accuracy"][1] > found.report["balanced_accuracy"][0] + 0.3
    useless = run(flock(shift=0.0), known)
    assert not useless.better
    assert "learned_not_better" in {reason.code for reason in useless.against}


def test_shuffled_combs_are_taken_at_most_once_in_twenty():
    known, taken = bank(), 0
    for seed in range(20):
        cases = flock(seed=seed)
        order = np.random.default_rng(seed).permutation(len(cases.labels))
        taken += run(replace(cases, labels=tuple(cases.labels[i] for i in order)), known).better
    assert taken <= 1


def test_where_photos_tell_nothing_a_less_sure_reader_is_not_better(monkeypatch):
    # The shipped reader is sure by a direction that tells nothing: whoever says less does better.
    monkeypatch.setattr(last_layer, "REHEARSAL", 0.0)
    cases = flock(shift=0.0)
    sure = cases.logits.copy()
    sure[..., COMBS.index("rose")] += 6.0 * cases.directions[..., 0]
    found = run(replace(cases, logits=sure), bank())
    assert found.report["gain"] > 0
    assert found.report["chance"] < 0.025
    assert "learned_no_link" in {reason.code for reason in found.against}


def test_few_birds_are_refused_whatever_they_say():
    found = run(flock(16), bank())
    assert not found.better
    assert "learned_too_few" in {reason.code for reason in found.against}
    assert not enough(["rose"] * 40, list(map(str, range(40))))


def test_what_forgets_a_comb_that_the_flock_lacks_is_not_taken(monkeypatch):
    # Peas lie where the flock's roses lie, and nothing is rehearsed: they are read as rose then.
    monkeypatch.setattr(last_layer, "REHEARSAL", 0.0)
    known = bank(120)
    pea = np.array(["pea" in label for label in known.labels])
    known.directions[pea, 0] += 6.0
    known.logits[pea] *= 0.2
    codes = {reason.code for reason in run(flock(), known).against}
    assert codes == {"learned_forgets"}


def test_sign_flips_agree_with_a_reference_library():
    # scipy's permutation_test of paired samples flips signs in the same way.
    from scipy.stats import permutation_test

    gain = np.random.default_rng(5).normal(0.2, 1, 30)
    theirs = permutation_test(
        (gain, np.zeros(30)),
        lambda a, b, axis: (a - b).mean(axis),
        permutation_type="samples",
        alternative="greater",
        n_resamples=20_000,
    )
    assert sign_flips(gain) == pytest.approx(theirs.pvalue, abs=0.01)


def test_a_change_is_worn_by_the_weights_as_it_was_fitted():
    card = load_card()
    known = bank_of(card)
    rng = np.random.default_rng(0)
    shape = (len(COMBS), len(known.axes))
    change = Change(rng.normal(0, 0.1, shape), rng.normal(0, 1, len(COMBS)), 1.3)
    shipped = kept_tensors(SHIPPED, card)
    worn, new = changed_tensors(shipped, card, change, known), changed_card(card, change)
    features = rng.normal(0, 1, (4, 1280))

    def said(tensors, of):
        weight = tensors["reader.last.weight"].astype(float)[: len(COMBS)]
        bias = tensors["reader.last.bias"].astype(float)[: len(COMBS)]
        return (features @ weight.T + bias) / of.temperatures["comb"] + np.array(of.offsets)

    wanted = change.logits(known.place(features), said(shipped, card))
    assert said(worn, new) == pytest.approx(wanted, abs=1e-4)
    assert new.model == f"{card.model}.{change.name}"
    assert Change.from_data(change.as_data()).name == change.name


@pytest.mark.parametrize(
    "kept",
    [
        {},
        {"matrix": [[1.0]], "offsets": [0.0] * 6, "temperature": 1.0},
        {"matrix": [[0.0]] * 6, "offsets": [0.0] * 6, "temperature": 0.0},
        {"matrix": [[float("nan")]] * 6, "offsets": [0.0] * 6, "temperature": 1.0},
        {"matrix": "x", "offsets": [0.0] * 6, "temperature": 1.0},
    ],
)
def test_a_damaged_change_is_refused(kept):
    with pytest.raises(CardError, match="damaged"):
        Change.from_data(kept)


def test_the_bank_is_of_the_shipped_weights_and_holds_every_comb_on_both_sides():
    known = bank_of(load_card())
    for part in (known.part(guard=True), known.part(guard=False)):
        assert set(COMBS) - {"single_blade_pea"} <= set(part.labels)
        assert np.isfinite(part.directions).all()
    watched = known.part(guard=True)
    said = coarse_chances(watched.chances).argmax(1)
    groups = list(COARSE)
    right = [groups[s] in label or (groups[s] == "single" and "single" in label)
             for s, label in zip(said, watched.labels, strict=True)]  # fmt: skip
    assert np.mean(right) > 0.7
