"""evidence_pooled: what all site-years of a practice say together of roots and water."""

import polars as pl

from schemas import generated
from schemas.tables.trial.evidence_pooled import TABLE
from transforms.trial.methods.below_ground import SITE_YEAR
from transforms.trial.methods.evidence_values import measured, worked_site_years
from transforms.trial.methods.family_verdict import with_more_or_less
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.site_years import LEAST, counted_by, widest
from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import wilson

# A season that still grows changes nothing here.
HARVESTED = True

# Each measure's unit, as the last part of its columns' names.
UNITS = {
    "root lead": "d",
    "deep uptake": "mm",
    "water use efficiency": "pct",
    "winter recharge": "mm",
    "winter recharge share": "pct",
    "rain capture": "pct",
}
LIMITS = (
    "Evidence from one farm, not advice. One probe stands for each strip: a lasting difference of "
    "the ground between the two counts as an effect."
)
BOUNDED = (
    "Site-years in which only one strip's roots came are not in the mean, so a lead that is too "
    "long to be seen whole is missing from it."
)


def derive(
    *,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    field: pl.DataFrame,
    root_lead: pl.DataFrame,
    drawdown_season: pl.DataFrame,
    water_use_season: pl.DataFrame,
    recharge_winter: pl.DataFrame,
    capture_season: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """Pool treated minus check of each measure over the site-years after an operation.

    The statistics are those of ``response_pooled``: REML with the Hartung-Knapp interval, each
    site-year with its own standard error where one is known (``trial_pooling``), the mean over fields
    and over seasons as well, the widest interval of these (``site_years``), the prediction range,
    Wilson's interval for how often the treated strip had more, nothing averaged under three
    site-years. The verdict goes by p after allowing for the number of measures and depths of the
    practice (Benjamini-Hochberg).

    Root lead by depth, from both strips' days; where only one strip's roots are known to have come,
    its bound says which strip was ahead if it excludes zero. Deep uptake is from sensors below the
    working depth. Winter recharge is that before the season: in the year of the work part of it
    may have fallen before the work. Recharge has no error of its own, so the scatter between
    site-years carries it. Unlike ``response_pooled`` no site-year needs a yield.
    """
    site_years = worked_site_years(season, operation, field, comparison)
    if site_years.is_empty():
        return generated.empty(TABLE)
    values = measured(
        site_years,
        root_lead=root_lead,
        drawdown_season=drawdown_season,
        water_use_season=water_use_season,
        recharge_winter=recharge_winter,
        capture_season=capture_season,
    )
    values = once(
        in_fields(values, comparison), ["measure", "layer"], ["value", "low", "high"], ["error"]
    )
    rows = [
        _of_measure(str(practice), str(measure), str(layer), group)
        for (practice, measure, layer), group in values.sort(*SITE_YEAR).group_by(
            "practice", "measure", "layer", maintain_order=True
        )
    ]
    out = pl.DataFrame(rows, schema=generated.polars_schema(TABLE), orient="row")
    out = out.with_columns(pl.col(pl.Float64).fill_nan(None))
    gain = pl.coalesce("gain_d", "gain_mm", "gain_pct")
    return generated.conform(with_more_or_less(out, gain), TABLE).sort(TABLE.key)


def _of_measure(practice: str, measure: str, layer: str, group: pl.DataFrame) -> dict[str, object]:
    """One row: counts always, averages from three site-years on."""
    known = group.filter(pl.col("value").is_not_null())
    bounded = group.height - known.height
    sign = pl.coalesce(
        pl.col("value").sign(),
        pl.when(pl.col("low") > 0).then(1.0),
        pl.when(pl.col("high") < 0).then(-1.0),
    )
    signs = group.select(sign=sign)["sign"]
    compared, ahead = int(signs.count()), int((signs > 0).sum())
    n, after = known.height, int(group["after"][0])
    row: dict[str, object] = {
        "practice": practice,
        "measure": measure,
        "layer": layer,
        "depth_cm": group["depth_cm"][0],
        "site_years": n,
        "fields": known["field"].n_unique(),
        "compared": compared,
        "ahead": ahead,
        "bounded": bounded,
        "members": "; ".join(f"{f} {s}" for f, s in known.select(SITE_YEAR).iter_rows()) or None,
        "limits": f"{LIMITS} {BOUNDED}" if bounded else LIMITS,
        "coverage": n / after,
        "partial": n < after or n < LEAST,
    }
    if compared:
        low, high = wilson(ahead, compared)
        row |= {"ahead_share": ahead / compared, "ahead_low": low, "ahead_high": high}
    if n >= LEAST:
        row |= _averages(UNITS[measure], known)
    reasons = (
        f"not known in {after - n} of {after} site-years" if n < after else "",
        f"{n} site-years: counted, not averaged" if n < LEAST else "",
    )
    row["reason"] = "; ".join(filter(None, reasons)) or None
    return row


def _averages(unit: str, known: pl.DataFrame) -> dict[str, object]:
    """Mean, interval, range of the next and p, in the columns of the unit."""
    found = pooled(known["value"], known["error"].fill_null(float("nan")).to_numpy() ** 2)
    by, wide = widest(counted_by(known, found.cautious))
    return {
        f"gain_{unit}": found.mean.mean,
        f"gain_low_{unit}": wide.low,
        f"gain_high_{unit}": wide.high,
        f"next_low_{unit}": found.predicted_low,
        f"next_high_{unit}": found.predicted_high,
        "counted_by": by,
        "p": wide.p,
    }
