"""How far people agree and how often they slip, against references and made-up readers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from genetics.combs import CLASSES
from genetics.evidence import from_person, observer_confusion
from genetics.rater_agreement import Said, alpha, estimate, kappa

WORDS = ("single", "rose", "pea", "walnut")


def test_kappa_equals_scikit_learn():
    from sklearn.metrics import cohen_kappa_score

    rng = np.random.default_rng(0)
    words = ["single", "rose", "pea", "walnut"]
    for _ in range(20):
        a = rng.choice(words, 30, p=[0.6, 0.2, 0.1, 0.1])
        b = np.where(rng.random(30) < 0.7, a, rng.choice(words, 30))
        pairs = [(str(x), str(y)) for x, y in zip(a, b, strict=True)]
        assert kappa(pairs) == pytest.approx(cohen_kappa_score(a, b), abs=1e-12)
    assert kappa([]) is None
    assert kappa([("rose", "rose")] * 3) is None


@given(
    st.lists(
        st.tuples(st.integers(0, 7), st.sampled_from("ABCD"), st.sampled_from(WORDS)),
        max_size=30,
    )
)
def test_alpha_is_that_of_the_library_for_it(looks):
    """Against the PyPI package krippendorff, nominal data, gaps allowed."""
    import krippendorff

    said = [Said(item, by, word) for item, by, word in looks]
    table = np.full((4, 8), np.nan)
    for item, by, word in looks:
        table["ABCD".index(by), item] = WORDS.index(word)
    shared = table[:, (~np.isnan(table)).sum(0) > 1]
    found = alpha(said)
    if len(np.unique(shared[~np.isnan(shared)])) < 2:
        assert found is None
    else:
        due = krippendorff.alpha(table, level_of_measurement="nominal", value_domain=range(4))
        assert found == pytest.approx(due, abs=1e-9)


def test_alpha_of_a_worked_example():
    """Two observers, ten units, two values: alpha 0.095.

    Krippendorff 2011, Computing Krippendorff's Alpha-Reliability, example A (from memory).
    """
    a, b = [0, 1, 0, 0, 0, 0, 0, 0, 1, 0], [1, 1, 1, 0, 0, 1, 0, 0, 0, 0]
    words = ["single", "walnut"]
    said = [Said(i, "A", words[v]) for i, v in enumerate(a)]
    said += [Said(i, "B", words[v]) for i, v in enumerate(b)]
    assert alpha(said) == pytest.approx(0.095, abs=5e-4)
    assert alpha(said[:10]) is None


def make_readers(rng, photos, confusions):
    truth = rng.integers(6, size=photos)
    said = [
        Said(i, name, CLASSES[rng.choice(6, p=table[truth[i]])])
        for i in range(photos)
        for name, table in confusions.items()
    ]
    return truth, said


@pytest.mark.slow
def test_slips_of_made_up_readers_are_found():
    rng = np.random.default_rng(1)
    careless = np.full((6, 6), 0.08)
    np.fill_diagonal(careless, 0.6)
    blind_to_folds = np.full((6, 6), 0.01)
    np.fill_diagonal(blind_to_folds, 0.95)
    folded, walnut = CLASSES.index("crest_folded_single"), CLASSES.index("walnut")
    blind_to_folds[folded, folded], blind_to_folds[folded, walnut] = 0.35, 0.61
    careful = np.full((6, 6), 0.006)
    np.fill_diagonal(careful, 0.97)
    tables = {"Ada": careful, "Ben": careless, "Cleo": blind_to_folds}
    _, said = make_readers(rng, 1500, tables)
    found = estimate(said, {})
    for name, table in tables.items():
        assert np.abs(found[name].confusion - table).max() < 0.09, name
        assert found[name].readings == 1500
    assert found["Ben"].right_evenly == pytest.approx(0.6, abs=0.05)
    assert found["Cleo"].confusion[folded, walnut] > 0.45


def test_a_few_readings_change_little_and_none_nothing():
    found = estimate([Said(0, "Ada", "rose"), Said(1, "Ada", "pea")], {})["Ada"]
    assert np.abs(found.confusion - observer_confusion()).max() < 0.06
    assert estimate([], {}) == {}


def test_nobody_is_infallible_however_often_right():
    said = [Said(i, name, CLASSES[i % 6]) for i in range(3000) for name in ("Ada", "Ben")]
    found = estimate(said, {})["Ada"].confusion
    assert found.min() >= 0.01 / 5 - 1e-12
    assert np.allclose(found.sum(1), 1)
    assert np.diag(found).max() <= 0.99 + 1e-9


def test_what_the_model_knows_settles_who_of_two_is_right():
    said = [Said(i, "Ada", "rose") for i in range(60)] + [
        Said(i, "Ben", "walnut") for i in range(60)
    ]
    sure = np.full(6, 0.01)
    sure[CLASSES.index("rose")] = 0.95
    found = estimate(said, dict.fromkeys(range(60), sure))
    rose, walnut = CLASSES.index("rose"), CLASSES.index("walnut")
    assert found["Ada"].confusion[rose, rose] > 0.95
    assert found["Ben"].confusion[rose, walnut] > 0.5


def test_a_careless_reader_says_less_and_one_who_had_seen_another_reading_too():
    careless = np.full((6, 6), 0.08)
    np.fill_diagonal(careless, 0.6)
    plain, weak = from_person("walnut"), from_person("walnut", careless)
    seen = from_person("walnut", blind=False)
    walnut, rose = CLASSES.index("walnut"), CLASSES.index("rose")

    def ratio(likelihood):
        return likelihood[walnut] / likelihood[rose]

    assert ratio(plain) > ratio(seen) > 1
    assert ratio(plain) > ratio(weak) > 1


def test_the_slips_of_many_blind_photos_outweigh_what_is_taken_of_anybody():
    """Sixty photos with 25 % slips of which the combs are known: no more credit than they earn."""
    rng = np.random.default_rng(4)
    said, known = [], {}
    for item in range(60):
        comb = item % 6
        word = comb if rng.random() > 0.25 else (comb + int(rng.integers(1, 6))) % 6
        said.append(Said(item, "Ada", CLASSES[word]))
        known[item] = np.eye(6)[comb]
    slips = sum(CLASSES.index(s.word) != s.item % 6 for s in said) / 60
    found = estimate(said, known)["Ada"]
    assert 1 - found.right_evenly == pytest.approx(slips, abs=0.05)
    assert 1 - found.right_evenly > 0.75 * slips > 0.12
