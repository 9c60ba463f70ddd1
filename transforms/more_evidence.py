"""more_evidence: what one more season, pair of passes, field or probe would do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from schemas import made
from schemas.tables.more_evidence import TABLE
from transforms import trial_statistics as ts
from transforms.response_fade import money_line
from transforms.trial_pooling import pooled

LEAST = 3

PROBE = (
    "does nothing to the interval of the yield; that of root and uptake differences would be at "
    "best 0.71 as wide (two probes for one). One probe a strip does not show how places differ: "
    "a second would tell"
)


@dataclass(frozen=True, slots=True)
class Choice:
    """A way to go on: new site-years, and pairs of passes more than now in each."""

    name: str
    site_years: int
    pairs: int


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the trial of a practice has said so far, in percent of the check yield."""

    mean: float
    variance: float  # of the mean, Hartung-Knapp
    precision: float  # sum of the weights
    tau2: float
    block_variance: float  # of one block's difference
    blocks: float
    n: int

    def after(self, choice: Choice) -> tuple[float, float]:
        """Share of the variance of the mean that would be left, and the standard error then."""
        new = self.tau2 + self.block_variance / (self.blocks + choice.pairs)
        left = self.precision / (self.precision + choice.site_years / new)
        return left, float(np.sqrt(self.variance * left))


def derive(
    response: pl.DataFrame,
    response_cause: pl.DataFrame,
    payback: pl.DataFrame,
    response_fade: pl.DataFrame,
) -> pl.DataFrame:
    """What more data would do to the pooled response (percent) and to the choice to repeat.

    A new season adds a site-year in each field of the trial, with as many pairs of passes as now
    or one more; a new field adds one site-year more. The scatter between site-years and between
    blocks is taken as it stands. Power from the non-central t. The value of the data is the
    expected value of sample information of the choice between repeating at the best interval and
    never working, on a normal net (Raiffa and Schlaifer 1961, Applied Statistical Decision
    Theory, chapter 5): what it would spare, on average, by turning a wrong choice. An estimate.
    """
    rows = [
        row
        for (practice,), group in response_cause.sort("field", "season").group_by(
            "practice", maintain_order=True
        )
        for row in _practice(str(practice), group, response, payback, response_fade)
    ]
    out = pl.DataFrame(rows, schema=made.polars_schema(TABLE), orient="row")
    return made.conform(out.with_columns(pl.col(pl.Float64).fill_nan(None)), TABLE).sort(TABLE.key)


def _practice(
    practice: str,
    group: pl.DataFrame,
    response: pl.DataFrame,
    payback: pl.DataFrame,
    response_fade: pl.DataFrame,
) -> list[dict[str, object]]:
    seen = _evidence(group, response)
    money = _money(practice, payback, response_fade)
    fields = group["field"].n_unique()
    choices = (
        Choice("as it stands", 0, 0),
        Choice("one more season", fields, 0),
        Choice("one more season and pair of passes", fields, 1),
        Choice("one more season and field", fields + 1, 0),
        Choice("a second probe in each strip", 0, 0),
    )
    return [_one(practice, choice, group.height, seen, money) for choice in choices]


def _evidence(group: pl.DataFrame, response: pl.DataFrame) -> Evidence | None:
    """The pooled response in percent; None under three site-years or without known scatter."""
    known = group.filter(
        pl.col("response_pct").is_not_null() & pl.col("shared_se_pct").is_not_null()
    ).join(response.select("field", "season", "blocks"), on=["field", "season"], how="left")
    if known.height < LEAST:
        return None
    variance = known["shared_se_pct"].to_numpy() ** 2
    blocks = np.maximum(known["blocks"].fill_null(1).to_numpy(), 1)
    found = pooled(known["response_pct"], variance)
    return Evidence(
        mean=found.mean.mean,
        variance=found.mean.se**2,
        precision=float((1 / (variance + found.tau2)).sum()),
        tau2=found.tau2,
        block_variance=float(np.mean(variance * blocks)),
        blocks=float(blocks.mean()),
        n=known.height,
    )


def _money(
    practice: str, payback: pl.DataFrame, response_fade: pl.DataFrame
) -> tuple[float, float] | None:
    """Yearly net of the best repeat interval and its standard error."""
    best = response_fade.filter((pl.col("practice") == practice) & pl.col("best"))
    line = money_line(practice, payback)
    if line is None or best.is_empty():
        return None
    middle = (int(best["years_since"][0]) - 1) / 2  # mean of the years of the interval, from 0
    row = [1.0, middle] if line.sloped else [1.0]
    return float(best["yearly_net_per_ha"][0]), line.fit.at(row).se


def _one(
    practice: str,
    choice: Choice,
    site_years: int,
    seen: Evidence | None,
    money: tuple[float, float] | None,
) -> dict[str, object]:
    row: dict[str, object] = {
        "practice": practice,
        "choice": choice.name,
        "site_years": site_years + choice.site_years,
        "coverage": ((seen is not None) + (money is not None)) / 2,
        "partial": seen is None or money is None,
    }
    if choice.name == "a second probe in each strip":
        return row | {"reason": PROBE, "partial": True}
    if seen is None:
        return row | {
            "reason": "fewer than three site-years with known scatter between blocks: one more season is the first step"
        }
    left, se = seen.after(choice)
    df = seen.n + choice.site_years - 1.0
    row |= {
        "blocks": seen.blocks + choice.pairs,
        "response_pct": seen.mean,
        "half_width_pct": ts.least_difference(se, df),
        "findable_response_pct": ts.findable_difference(se, df),
        "chance_to_show": ts.chance_to_find(seen.mean, se, df),
    }
    if money is None:
        return row | {"reason": "the money is not known well enough for a value of new data"}
    net, error = money
    if error > 0:
        row["wrong_chance"] = float(stats.norm.cdf(-abs(net) / error))
    return row | {"value_per_ha": _worth(net, error * (1 - left) ** 0.5)}


def _worth(net: float, moved: float) -> float:
    """Expected gain from a choice made after the mean has moved by a normal of this sd."""
    if moved <= 0:
        return 0.0
    z = abs(net) / moved
    return float(moved * (stats.norm.pdf(z) - z * stats.norm.sf(z)))
