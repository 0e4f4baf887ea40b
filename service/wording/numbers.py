"""Numbers as people write them, in the language at hand."""

from __future__ import annotations

from service.wording.language import current

SPACE = "\N{NO-BREAK SPACE}"


def as_written(share: str) -> str:
    """Return a percentage as the language at hand writes it.

    English leaves no space before the sign, German does (DIN 5008).

    >>> as_written("22%")
    '22%'
    """
    return share if current.get() == "en" else decimal_mark(share).replace("%", f"{SPACE}%")


def decimal_mark(number: str) -> str:
    """Return a number as the language at hand writes it: German has a decimal comma.

    >>> decimal_mark("2,160.5")
    '2,160.5'
    """
    if current.get() == "en":
        return number
    return number.translate(str.maketrans(",.", ".,"))


def decimal(value: float, places: int = 1) -> str:
    """Return a number with so many decimals, as the language at hand writes it.

    >>> decimal(12.345)
    '12.3'
    """
    return decimal_mark(f"{value:,.{places}f}")


class Number(float):
    """A number that a sentence formats as a percentage of the language at hand, where it asks."""

    def __format__(self, spec: str) -> str:
        """Return it as `float` does, but for percentages."""
        if spec == ".0%" and 0 < self < 1:
            # What isn't certain isn't written so.
            return percent(self) if not 0.005 <= self < 0.995 else as_written(f"{float(self):.0%}")
        text = super().__format__(spec)
        return as_written(text) if spec.endswith("%") else decimal_mark(text)


def percent(value: float) -> str:
    """Return a probability as a percentage that never claims certainty.

    >>> percent(0.9996), percent(0.25), percent(0.0)
    ('>99%', '25%', '<1%')
    """
    if value > 0.99:
        return as_written(">99%")
    if value < 0.01:
        return as_written("<1%")
    return as_written(f"{value:.0%}")


def times(ratio: float) -> str:
    """Return a ratio as people write it.

    >>> times(2.345), times(2160.2), times(3e9)
    ('2.3', '2,160', '1,000,000')
    """
    if ratio < 10:
        return decimal_mark(f"{ratio:.2g}")
    return decimal_mark(f"{min(ratio, 1e6):,.0f}")
