"""Intervals and verdicts that could look at odds, so that a sentence can say why."""

from flows.pages.cells import Row

SHOWN = ("gain", "loss", "more", "less")


def at_odds(row: Row, low: str, high: str) -> bool:
    """Return whether a row's verdict and its interval (columns ``low`` and ``high``) disagree.

    They do if a difference is shown although the interval holds zero, or none is shown although it
    does not. Nothing is at odds without an interval, or with too few site-years for a verdict.
    """
    if row[low] is None or row[high] is None or row["verdict"] in {None, "too few"}:
        return False
    apart = bool(row[low] > 0 or row[high] < 0)
    return (row["verdict"] in SHOWN) != apart
