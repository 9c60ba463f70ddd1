"""response_fade: how the response fades with the years since, and the best repeat interval."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas.tables.trial.response_fade import TABLE
from transforms.trial.methods.by_practice import by_practice
from transforms.trial.methods.fade_line import (
    Fade,
    fade,
    money_and_response,
    money_line,
    practice_cost,
)
from transforms.trial.methods.trial_statistics import CONFIDENCE

Array = NDArray[np.float64]

AHEAD = 3  # years listed beyond the longest that any field was followed


def derive(
    response_cause: pl.DataFrame,
    payback: pl.DataFrame,
    operation_cost: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """The fitted response by years since, and the yearly net of each repeat interval.

    A random-effects line of the response in percent, and one of the season's net in currency per
    hectare, over the harvests since the operation, that allows for the seasons of a field being
    alike (``field_effects``; where fields cannot be distinguished, REML with Hartung-Knapp). It is the
    simplest shape that can fade; a fade ends at nothing, and for the money a rise counts as a
    level, since nothing is known that makes a response grow by itself. Yearly net of an interval
    of N harvests: the sum of the first N seasons' net less the cost, by N. Its interval and the
    chance of being best come from fixed draws of the line. Up to three years beyond the longest
    seen are listed, marked as unseen.
    """
    response_cause, payback = money_and_response(response_cause, payback, comparison)
    return by_practice(
        response_cause,
        TABLE,
        lambda practice, group: _practice(practice, group, payback, operation_cost),
    )


def _yearly_net(values: Array, cost: float) -> Array:
    """Net by year of repeating after 1, 2, ... harvests, from values by year (n x years)."""
    years = np.arange(1, values.shape[1] + 1)
    return np.asarray((np.cumsum(values, axis=1) - cost) / years)


def _practice(
    practice: str, group: pl.DataFrame, payback: pl.DataFrame, operation_cost: pl.DataFrame
) -> list[dict[str, object]]:
    known = group.filter(pl.col("response_pct").is_not_null())
    if known.is_empty():
        return []
    years = np.arange(1.0, int(known["years_since"].to_numpy().max()) + AHEAD + 1)
    counts = dict(known.group_by("years_since").len().iter_rows())
    last = int(years[-1]) - AHEAD
    money = payback.filter(
        (pl.col("practice") == practice) & pl.col("season_net_per_ha").is_not_null()
    ).height
    rows: list[dict[str, object]] = [
        {
            "practice": practice,
            "years_since": int(year),
            "site_years": int(counts.get(int(year), 0)),
            "verdict": "cannot tell yet",
            "seen": bool(year <= last),
            "coverage": min(1.0, money / known.height),
        }
        for year in years
    ]
    line = fade(
        known["response_pct"],
        known["shared_se_pct"].fill_null(float("nan")).to_numpy() ** 2,
        known["years_since"],
        known["field"],
    )
    if line is not None:
        _add_response(rows, line, years)
    worth, cost = money_line(practice, payback), practice_cost(practice, operation_cost)
    if worth is not None:
        _add_money(rows, worth, cost, years)
    for row in rows:
        _add_reason(row, known.height, line, worth, cost)
    return rows


def _add_response(rows: list[dict[str, object]], line: Fade, years: Array) -> None:
    """Line, its interval and the yearly change, in percent."""
    tail = 100 * (1 - CONFIDENCE) / 2
    drawn = line.values(line.draws(), years, may_rise=True)
    middle = line.values(line.line[None, :], years, may_rise=True)[0]
    low, high = np.percentile(drawn, [tail, 100 - tail], axis=0)
    change = line.fit.at([0.0, 1.0]) if line.sloped else None
    for i, row in enumerate(rows):
        row |= {
            "response_pct": middle[i],
            "response_low_pct": min(low[i], middle[i]),
            "response_high_pct": max(high[i], middle[i]),
        }
        if change is not None:
            row |= {
                "change_pct": change.mean,
                "change_low_pct": change.low,
                "change_high_pct": change.high,
            }
            if change.p <= 1 - CONFIDENCE:
                row["verdict"] = "fades" if change.mean < 0 else "grows"


def _add_money(
    rows: list[dict[str, object]], worth: Fade, cost: float | None, years: Array
) -> None:
    """Season's net to expect, and the yearly net of each repeat interval."""
    middle = worth.values(worth.line[None, :], years)
    for i, row in enumerate(rows):
        row |= {"season_net_per_ha": middle[0, i], "cost_per_ha": cost}
    if cost is None:
        return
    net = _yearly_net(middle, cost)[0]
    drawn = _yearly_net(worth.values(worth.draws(), years), cost)
    tail = 100 * (1 - CONFIDENCE) / 2
    low, high = np.percentile(drawn, [tail, 100 - tail], axis=0)
    chance = np.bincount(np.argmax(drawn, axis=1), minlength=years.size) / drawn.shape[0]
    best = int(np.argmax(net))
    for i, row in enumerate(rows):
        row |= {
            "yearly_net_per_ha": net[i],
            "yearly_net_low_per_ha": min(low[i], net[i]),
            "yearly_net_high_per_ha": max(high[i], net[i]),
            "behind_best_per_ha": net[best] - net[i],
            "best": i == best,
            "best_chance": chance[i],
        }


def _add_reason(
    row: dict[str, object],
    site_years: int,
    line: Fade | None,
    worth: Fade | None,
    cost: float | None,
) -> None:
    """Add ``partial`` and the reason as text."""
    reasons = [
        f"{site_years} site-years: no line is made of fewer than three" if line is None else "",
        "no fading can be seen yet: the mean stands for all years"
        if line is not None and not line.sloped
        else "",
        "money is known for fewer than three site-years" if worth is None else "",
        "no operation's cost is known" if worth is not None and cost is None else "",
        "" if row["seen"] else "no field was followed for so long: the line is carried on",
        "the best interval is longer than any field was followed: not yet in sight"
        if row.get("best") and not row["seen"]
        else "",
        "no interval pays at these prices"
        if row.get("best") and float(str(row["yearly_net_per_ha"])) < 0
        else "",
    ]
    row["reason"] = "; ".join(filter(None, reasons)) or None
    row["partial"] = (
        line is None or worth is None or cost is None or not row["seen"] or row["coverage"] != 1.0
    )
