"""response_pooled: what the site-years say together, by practice and in groups."""

from collections.abc import Iterator

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.trial.response_pooled import TABLE
from transforms.trial.methods.family_verdict import adjusted
from transforms.trial.methods.response_words import verdict
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.site_years import LEAST, counted_by, widest
from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import wilson

ONE_FARM = (
    "Evidence from one farm, not advice. Site-years of one field or one year are alike in more "
    "than the practice: the interval shown is the widest of those by site-years, fields and seasons, "
    "and the verdict goes by it."
)
VALUES = ("response_kg_ha", "response_pct", "marginal_net_per_ha", "cost_per_ha")
ERRORS = ("response_se_kg_ha", "response_se_pct", "lasting_se_kg_ha", "lasting_se_pct")
CHOSEN = "A group was not chosen beforehand; its verdict allows for the number of groups."


def derive(
    *,
    response: pl.DataFrame,
    response_cause: pl.DataFrame,
    payback: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """Random-effects pooling of the responses after an operation, in kg/ha and in percent.

    REML with the Hartung-Knapp interval, and the prediction range for the true response of the
    next site-year (see ``trial_pooling``), from each response with its shared standard error.
    Counts with Wilson's interval: how often the treated strip yielded more, and how often one
    season alone was worth more than the whole operation. Under three site-years nothing is
    averaged and the members are listed. Site-years of a field, or of a season, may share more than
    the practice; then the interval over site-years is too narrow (simulated: 82 to 87 % where
    half of the spread is the field's). So the mean is pooled over field means and over season
    means as well, where there are three or more, and the verdict goes by the widest interval,
    each with the cautious error and with the ground that comes back in a
    field every season. The verdict goes by the interval in percent, which pages show; the interval
    in kg/ha counts the same observations (``verdict_counts``). Strips of one practice in one field and
    season count once (``shared_check``).
    """
    rows = in_fields(
        _site_years(response, response_cause, payback).with_columns(_name="field"), comparison
    )
    if rows.is_empty():
        return generated.empty(TABLE)
    out = pl.DataFrame(
        [_of_group(*name, group) for name, group in _groups(rows)],
        schema=generated.polars_schema(TABLE),
        orient="row",
    ).with_columns(pl.col(pl.Float64).fill_nan(None))
    return generated.conform(_with_verdict(out), TABLE).sort(TABLE.key)


def _site_years(
    response: pl.DataFrame, response_cause: pl.DataFrame, payback: pl.DataFrame
) -> pl.DataFrame:
    money = payback.select("field", "season", "marginal_net_per_ha", "cost_per_ha", "cost_partial")
    return (
        response.filter(pl.col("operation_day").is_not_null() & pl.col("practice").is_not_null())
        .filter(~pl.col("check_worked").fill_null(False))
        .join(
            response_cause.select("field", "season", "season_rain"),
            on=["field", "season"],
            how="left",
        )
        .join(money, on=["field", "season"], how="left")
        .with_columns(
            response_se_pct=_pct("response_se_kg_ha"), lasting_se_pct=_pct("lasting_se_kg_ha")
        )
        .sort("field", "season")
    )


def _pct(name: str) -> pl.Expr:
    return pl.when(pl.col("check_kg_ha") > 0).then(100 * pl.col(name) / pl.col("check_kg_ha"))


def _groups(rows: pl.DataFrame) -> Iterator[tuple[tuple[str, str, str], pl.DataFrame]]:
    """Every group of every grouping, by practice."""
    by = {
        "all": pl.lit("all"),
        "crop": pl.col("crop"),
        "years since": pl.col("years_since").cast(pl.String),
        "season rain": pl.col("season_rain"),
        "field": pl.col("_name"),
    }
    for grouping, member in by.items():
        named = once(
            rows.with_columns(_member=member).filter(pl.col("_member").is_not_null()),
            ["_member"],
            VALUES,
            ERRORS,
        )
        for (practice, name), group in named.group_by("practice", "_member", maintain_order=True):
            yield (str(practice), grouping, str(name)), group


def _of_group(practice: str, grouping: str, member: str, group: pl.DataFrame) -> dict[str, object]:
    """One row: counts always, averages from three site-years on."""
    known = group.filter(pl.col("response_kg_ha").is_not_null())
    priced = known.filter(
        pl.col("marginal_net_per_ha").is_not_null()
        & pl.col("cost_per_ha").is_not_null()
        & ~pl.col("cost_partial").fill_null(False)
    )
    n = known.height
    gained = int((known["response_kg_ha"] > 0).sum())
    paid_alone = int((priced["marginal_net_per_ha"] >= priced["cost_per_ha"]).sum())
    row: dict[str, object] = {
        "practice": practice,
        "grouping": grouping,
        "member": member,
        "site_years": n,
        "fields": known["field"].n_unique(),
        "gained": gained,
        "priced": priced.height,
        "paid_alone": paid_alone,
        "members": _listing(known),
        "limits": ONE_FARM if grouping == "all" else f"{ONE_FARM} {CHOSEN}",
        "coverage": n / group.height,
    }
    if n:
        low, high = wilson(gained, n)
        row |= {"gained_share": gained / n, "gained_low": low, "gained_high": high}
    if priced.height:
        low, high = wilson(paid_alone, priced.height)
        row |= {"paid_alone_low": low, "paid_alone_high": high}
    if n >= LEAST:
        row |= _averages(known)
    reasons = [
        f"{group.height - n} harvested without a response" if group.height > n else "",
        f"{n} site-years: listed, not averaged" if n < LEAST else "",
        "no scatter between blocks is known, so chance within a site-year is not told apart"
        if n >= LEAST and known["response_se_kg_ha"].null_count() == n
        else "",
    ]
    row["reason"] = "; ".join(filter(None, reasons)) or None
    row["partial"] = n < group.height or n < LEAST
    return row


def _averages(known: pl.DataFrame) -> dict[str, object]:
    def column(name: str) -> np.ndarray:
        return known[name].fill_null(float("nan")).to_numpy()

    mass = pooled(column("response_kg_ha"), column("response_se_kg_ha") ** 2)
    row: dict[str, object] = {
        "response_kg_ha": mass.mean.mean,
        "response_se_kg_ha": mass.mean.se,
        "response_low_kg_ha": mass.mean.low,
        "response_high_kg_ha": mass.mean.high,
        "p": mass.mean.p,
        "next_low_kg_ha": mass.predicted_low,
        "next_high_kg_ha": mass.predicted_high,
        "between_sd_kg_ha": mass.tau2**0.5,
        "beyond_chance_share": mass.i2,
        "q": mass.q,
        "q_p": mass.q_p,
    }
    if np.isnan(column("response_se_kg_ha")).all():
        row |= {"beyond_chance_share": None, "q": None, "q_p": None, "between_sd_kg_ha": None}
    each_way = counted_by(_values(known, "kg_ha"), mass.cautious)
    by, judged = widest(each_way)
    relative = known.filter(pl.col("response_pct").is_not_null())
    if relative.height >= LEAST:
        share = pooled(
            relative["response_pct"].to_numpy(),
            relative["response_se_pct"].fill_null(float("nan")).to_numpy() ** 2,
        )
        by, judged = widest(counted_by(_values(relative, "pct"), share.cautious))
        row |= {
            "response_pct": share.mean.mean,
            "response_low_pct": share.mean.low,
            "response_high_pct": share.mean.high,
            "verdict_low_pct": judged.low,
            "verdict_high_pct": judged.high,
            "next_low_pct": share.predicted_low,
            "next_high_pct": share.predicted_high,
        }
    # One way of counting for both units: that of the interval the verdict goes by.
    wide = each_way[by]
    row |= {"verdict_low_kg_ha": wide.low, "verdict_high_kg_ha": wide.high}
    return row | {"verdict_counts": by, "verdict_p": judged.p}


def _values(known: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Return the site-years' values, errors and lasting errors in kg/ha or in percent."""
    return known.select(
        "field",
        "season",
        value=f"response_{unit}",
        error=f"response_se_{unit}",
        lasting=f"lasting_se_{unit}",
    )


def _with_verdict(out: pl.DataFrame) -> pl.DataFrame:
    """Add verdicts: the whole by its own p, the groups of a practice by p adjusted for their number."""
    whole = pl.col("grouping") == "all"
    p = adjusted("verdict_p", ["practice", whole])
    return out.with_columns(p_adjusted=p).with_columns(verdict=verdict("p_adjusted", "too few"))


def _listing(known: pl.DataFrame) -> str:
    """'north 2020 +4.1 %; south 2020 -0.3 %'."""
    return "; ".join(
        f"{field} {season} " + ("no check yield" if pct is None else f"{pct:+.1f} %")
        for field, season, pct in known.select("field", "season", "response_pct").iter_rows()
    )
