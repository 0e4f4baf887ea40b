"""Numbers as people write them."""

from __future__ import annotations


def percent(value: float) -> str:
    """Return a probability as a percentage that never claims certainty.

    >>> percent(0.9996), percent(0.25), percent(0.0)
    ('>99 %', '25 %', '<1 %')
    """
    if value > 0.99:
        return ">99 %"
    if value < 0.01:
        return "<1 %"
    return f"{value:.0%}".replace("%", " %")


def times(ratio: float) -> str:
    """Return a ratio as people write it.

    >>> times(2.345), times(2160.2), times(3e9)
    ('2.3', '2,160', '1,000,000')
    """
    if ratio < 10:
        return f"{ratio:.2g}"
    return f"{min(ratio, 1e6):,.0f}"
