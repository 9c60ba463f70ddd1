"""Published custom rates of field work, for comparison only: each named, with its year and currency.

A rate is what others were paid for tractor, implement, fuel and labor together. It never stands in for a
cost that the field book does not give.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WorkRate:
    """One published rate: words that a practice's name holds, money by acre, and where it is from."""

    words: tuple[str, ...]
    per_acre: float
    currency: str
    source: str


RATES: tuple[WorkRate, ...] = (
    # Iowa State University Extension, 2019 Iowa Farm Custom Rate Survey, as quoted in the public
    # press in April 2019 (median, deep tillage with a V-shaped ripper).
    WorkRate(
        ("deep till", "subsoil", "deep ripping"),
        23.45,
        "USD",
        "Iowa Farm Custom Rate Survey, 2019",
    ),
)
