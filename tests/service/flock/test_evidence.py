"""What was seen of one bird, as genetics takes it: how much a photo, a person, a note weighs."""

from __future__ import annotations

import numpy as np
import pytest

from genetics.combs import CLASSES
from genetics.evidence import from_person, from_posterior, mixed_peas
from service.flock.evidence import Observation, evidence_of, observation_of
from service.flock.flock_csv import Bird
from service.wording.sentences import Message
from tests.classifier.test_reading import reading

EVEN = [1 / 6] * 6
COMB = (0.02, 0.02, 0.02, 0.02, 0.02, 0.90)


def test_a_readable_photo_weighs_in_full():
    look = observation_of(reading(comb=COMB, none_of_these=0.0, readable=1.0), EVEN)
    assert np.allclose(look.likelihood, from_posterior(COMB, EVEN))
    assert look.likelihood[5] / look.likelihood[0] == pytest.approx(45)


def test_a_photo_that_may_not_show_the_comb_weighs_less():
    """With chance 1 - (1 - 0.2) 0.5 = 0.6 it says nothing: a mixture with all ones."""
    look = observation_of(reading(comb=COMB, none_of_these=0.2, readable=0.5), EVEN)
    assert np.allclose(look.likelihood, mixed_peas(0.6 + 0.4 * from_posterior(COMB, EVEN)))


def test_a_photo_that_must_be_taken_again_says_nothing():
    look = observation_of(reading(comb=COMB, pile="new_photo"), EVEN)
    assert np.array_equal(look.likelihood, np.ones(6))
    assert look.comb == ""


def test_the_training_prior_is_divided_out():
    prior = [0.5, 0.1, 0.1, 0.1, 0.1, 0.1]
    even, uneven = (
        observation_of(reading(comb=COMB, none_of_these=0.0, readable=1.0), p).likelihood
        for p in (EVEN, prior)
    )
    assert uneven[5] / uneven[0] == pytest.approx(5 * even[5] / even[0])


@pytest.mark.parametrize(
    ("noted", "on_photos", "taken_for"),
    [
        (None, (0.81,), True),
        (None, (0.79,), None),
        (None, (0.21,), None),
        (None, (0.19,), False),
        (None, (0.99, 0.65), True),  # the mean of the photos counts
        (None, (), None),
        (True, (0.01,), True),  # a note outranks the photo
        (False, (0.99,), False),
    ],
)
def test_a_crest_is_taken_from_photos_that_are_sure_of_it(noted, on_photos, taken_for):
    photos = [reading(crest=chance) for chance in on_photos]
    assert evidence_of(Bird("1", crest=noted), photos, EVEN, None).crest is taken_for


def test_who_looked_at_the_photos_isnt_counted_again_from_the_list():
    bird = Bird("1", comb="rose", comb_by="Ada")
    source = Message("source_blind", name="1.jpg", who="Ada")
    said = Observation(source, from_person("rose"), "rose", True, "Ada")
    assert len(evidence_of(bird, [], EVEN, None, [said]).observations) == 1
    other = Bird("1", comb="rose", comb_by="Ben")
    assert len(evidence_of(other, [], EVEN, None, [said]).observations) == 2


def test_classes_are_those_of_the_reader():
    from classifier.vocabulary import COMBS

    assert CLASSES == COMBS


def test_a_photo_that_can_not_be_read_says_nothing_of_the_crest():
    photos = [reading(crest=0.99), reading(crest=0.01, pile="new_photo")]
    assert evidence_of(Bird("1"), photos, EVEN, None).crest is True
    assert evidence_of(Bird("1"), photos[1:], EVEN, None).crest is None
