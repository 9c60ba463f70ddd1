"""more_evidence: what one more season, pair of passes, field or probe would do."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from schemas.tables.trial.more_evidence import TABLE
from transforms.trial.methods.by_practice import by_practice
from transforms.trial.methods.fade_line import money_and_response, money_line
from transforms.trial.methods.field_effects import alike, fitted
from transforms.trial.methods.new_site_year import scatter_of
from transforms.trial.methods.shared_check import in_fields
from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import (
    chance_to_find,
    findable_difference,
    least_difference,
)

LEAST = 3

PROBE = (
    "does nothing to the interval of the yield; that of root and uptake differences would be at "
    "best 0.71 as wide (two probes for one). One probe a strip does not show how places differ: "
    "a second would tell"
)
BEFORE = (
    "adds no response by itself: it tells part of how the strips' ground differs, and narrows the "
    "response of every later season in that field"
)


@dataclass(frozen=True, slots=True)
class Choice:
    """A way to go on: one more season or not, pairs of passes more than now in it, new fields."""

    name: str
    season: bool
    pairs: int = 0
    fields: int = 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the trial of a practice has said so far, in percent of the check yield.

    ``se`` and ``df`` give the interval of the mean; ``season_var`` and ``field_var`` the scatter of
    true responses, ``block_variance`` that of one block's difference; ``own`` the precision of each
    field's seasons about the field.
    """

    mean: float
    se: float
    df: float
    season_var: float
    field_var: float
    block_variance: float
    blocks: float
    own: NDArray[np.float64]

    def site_years(self, choice: Choice) -> int:
        """New site-years of a choice."""
        return self.own.size * choice.season + choice.fields

    def after(self, choice: Choice) -> tuple[float, float, float]:
        """Share of the variance of the mean that would be left, and the error and its df then."""
        new = 1 / (self.season_var + self.block_variance / (self.blocks + choice.pairs))
        then = np.append(self.own + new * choice.season, np.full(choice.fields, new))
        left = self._precision(self.own) / self._precision(then)
        return left, self.se * left**0.5, self.df + self.site_years(choice)

    def _precision(self, own: NDArray[np.float64]) -> float:
        return float((1 / (self.field_var + 1 / own)).sum())


def derive(
    *,
    response: pl.DataFrame,
    response_cause: pl.DataFrame,
    payback: pl.DataFrame,
    response_fade: pl.DataFrame,
    response_pooled: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """What more data would do to the pooled response (percent) and to the choice to repeat.

    A new season adds a site-year in each field of the trial, with as many pairs of passes as now
    or one more; a new field adds one site-year more. The scatter between fields, between their
    seasons and between blocks is taken as it stands: where fields differ (``field_effects``), more
    seasons in the same ones help little. Power from the non-central t. The value of the data is the
    expected value of sample information of the choice between repeating at the best interval and
    never working, on a normal net (Raiffa and Schlaifer 1961, Applied Statistical Decision
    Theory, chapter 5): what it would spare, on average, by turning a wrong choice. An estimate.
    Where the pooled verdict is a gain or a loss already, enough is known of the mean response. A new
    field's first site-year is listed by itself too, with as many pairs as now, with one more, and with
    one season harvested before the work (``ground``).
    """
    response_cause, payback = money_and_response(response_cause, payback, comparison)
    # of several strips of one practice in a field and season the first tells how blocks scatter
    response = in_fields(response, comparison).unique(
        ["practice", "field", "season"], keep="first", maintain_order=True
    )
    return by_practice(
        response_cause,
        TABLE,
        lambda practice, group: _practice(
            practice, group, response, payback, response_fade, _shown(practice, response_pooled)
        ),
    )


def _shown(practice: str, response_pooled: pl.DataFrame) -> bool:
    """Return whether all site-years together show a gain or a loss already."""
    return not response_pooled.filter(
        (pl.col("practice") == practice)
        & (pl.col("grouping") == "all")
        & pl.col("verdict").is_in(["gain", "loss"])
    ).is_empty()


def _practice(  # noqa: PLR0917
    practice: str,
    group: pl.DataFrame,
    response: pl.DataFrame,
    payback: pl.DataFrame,
    response_fade: pl.DataFrame,
    shown: bool,
) -> list[dict[str, object]]:
    response = response.filter((pl.col("practice") == practice).fill_null(True))
    seen = _evidence(group, response)
    money = _money(practice, payback, response_fade)
    fields = group["field"].n_unique()
    choices = (
        Choice("as it stands", season=False),
        Choice("one more season", season=True),
        Choice("one more season and pair of passes", season=True, pairs=1),
        Choice("one more season and field", season=True, fields=1),
        Choice("one season before the work in a new field", season=False),
        Choice("a second probe in each strip", season=False),
    )
    rows = [
        _of_choice(
            practice, choice, group.height + fields * choice.season + choice.fields, seen, money
        )
        for choice in choices
    ]
    one = _new_site_year(group, response)
    for row in rows:
        row["new_half_width_pct"] = one.get(str(row["choice"]))
        row["enough"] = shown if seen is not None else None
    return rows


def _new_site_year(group: pl.DataFrame, response: pl.DataFrame) -> dict[str, float]:
    """Half of the interval of a new field's first response [percent], by choice; empty if unknown."""
    known = group.select("field", "season").join(response, on=["field", "season"])
    scatter = scatter_of(known)
    if scatter is None:
        return {}
    now = scatter.blocks
    return {
        choice: least_difference(scatter.error_pct(blocks, before=before), scatter.df)
        for choice, blocks, before in (
            ("as it stands", now, False),
            ("one more season and pair of passes", now + 1, False),
            ("one season before the work in a new field", now, True),
        )
    }


def _evidence(group: pl.DataFrame, response: pl.DataFrame) -> Evidence | None:
    """The pooled response in percent; None under three site-years or without known scatter."""
    known = group.filter(
        pl.col("response_pct").is_not_null() & pl.col("shared_se_pct").is_not_null()
    ).join(response.select("field", "season", "blocks"), on=["field", "season"], how="left")
    if known.height < LEAST:
        return None
    variance = known["shared_se_pct"].to_numpy() ** 2
    blocks = np.maximum(known["blocks"].fill_null(1).to_numpy(), 1)
    value, names = known["response_pct"].to_numpy(), known["field"].to_numpy()
    if alike(names):
        line = fitted(value, variance, np.ones((value.size, 1)), names)
        found, season_var, field_var = line.at([1.0]), line.season_var, line.field_var
        # The mixture's tails are not a t's: the error that gives its interval.
        se = (found.high - found.low) / 2 / least_difference(1.0, np.inf)
    else:
        plain = pooled(value, variance)
        found, season_var, field_var, se = plain.mean, plain.tau2, 0.0, plain.mean.se
    weight = 1 / (variance + season_var)
    return Evidence(
        mean=found.mean,
        se=se,
        df=found.df,
        season_var=season_var,
        field_var=field_var,
        block_variance=float(np.mean(variance * blocks)),
        blocks=float(blocks.mean()),
        own=np.array([weight[names == name].sum() for name in np.unique(names)]),
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


def _of_choice(
    practice: str,
    choice: Choice,
    site_years: int,
    seen: Evidence | None,
    money: tuple[float, float] | None,
) -> dict[str, object]:
    row: dict[str, object] = {
        "practice": practice,
        "choice": choice.name,
        "site_years": site_years,
        "coverage": ((seen is not None) + (money is not None)) / 2,
        "partial": seen is None or money is None,
    }
    if choice.name == "a second probe in each strip":
        return row | {"reason": PROBE, "partial": True}
    if choice.name == "one season before the work in a new field":
        return row | {"reason": BEFORE, "partial": True}
    if seen is None:
        return row | {
            "reason": "fewer than three site-years with known scatter between blocks: "
            "one more season is the first step"
        }
    left, se, df = seen.after(choice)
    row |= {
        "blocks": seen.blocks + choice.pairs,
        "response_pct": seen.mean,
        "half_width_pct": least_difference(se, df),
        "findable_response_pct": findable_difference(se, df),
        "chance_to_show": chance_to_find(seen.mean, se, df),
    }
    if money is None:
        return row | {"reason": "the money is not known well enough for a value of new data"}
    net, error = money
    if error > 0:
        row["wrong_chance"] = float(special.ndtr(-abs(net) / error))
    return row | {"value_per_ha": _worth(net, error * (1 - left) ** 0.5)}


def _worth(net: float, moved: float) -> float:
    """Expected gain from a choice made after the mean has moved by a normal of this sd."""
    if moved <= 0:
        return 0.0
    z = abs(net) / moved
    return float(moved * (np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) - z * special.ndtr(-z)))
