"""A reading made up for tests."""

from dataclasses import replace

from classifier.reading import HeadBox, Reading, Wattles


def clear_reading(**changes) -> Reading:
    """A clear reading of a head as walnut, not judged yet, with what a test changes in it."""
    base = Reading(
        photo="a.jpg",
        head=HeadBox((0.0, 0.0, 200.0, 200.0), "found", 0.9),
        comb=(0.01, 0.01, 0.01, 0.01, 0.01, 0.95),
        none_of_these=0.01,
        readable=0.95,
        plausible=("walnut",),
        crest=0.02,
        beard=0.02,
        wattles=Wattles("small", None),
        complaints=(),
        remarks=(),
        model="test",
    )
    return replace(base, **changes)
