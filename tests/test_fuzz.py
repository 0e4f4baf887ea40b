"""Broken files are read or refused, never anything else; also those that once broke something."""

import pytest

from benchmarks.fuzz import TARGETS, fuzz, replay


@pytest.mark.parametrize("name", TARGETS)
def test_what_once_broke_something_is_read_or_refused(name):
    assert replay(name) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_some_seconds_of_broken_files_end_without_a_trace(name):
    tried, broke = fuzz(name, 12, 1)
    assert tried > 200
    assert broke == []
