"""evidence_pooled: what all site-years of a practice say together of roots and water."""

import polars as pl

from schemas import generated
from schemas.tables.trial.evidence_pooled import TABLE
from transforms.methods.texts import depth_text
from transforms.trial.methods.below_ground import (
    SITE_YEAR,
    capture_gains,
    recharge_gains,
    uptake_gains,
)
from transforms.trial.methods.family_verdict import with_more_or_less
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.since_operation import since_operation
from transforms.trial.methods.site_years import LEAST, counted_by, widest
from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import wilson

Z_95, Z_90 = 1.959964, 1.644854
WHOLE_PROFILE = "all"
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
    site_years = _site_years(season, operation, field, comparison)
    if site_years.is_empty():
        return generated.empty(TABLE)
    values = pl.concat(
        [
            _leads(root_lead),
            _uptake(site_years, drawdown_season),
            _efficiency(water_use_season),
            *_recharge(recharge_winter),
            _capture(capture_season),
        ]
    ).join(site_years.select(*SITE_YEAR, "practice", "after"), on=SITE_YEAR)
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


def _site_years(
    season: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame, comparison: pl.DataFrame
) -> pl.DataFrame:
    """Harvested site-years after an operation, with the working depth and their number, ``after``."""
    depth = (
        operation.filter(pl.col("strip") == "treated")
        .sort("field", "day")
        .select("field", "practice", operation_day="day", operation_depth_cm="depth_cm")
        .unique(["field", "practice", "operation_day"], keep="first", maintain_order=True)
    )
    place = comparison.select(field="name", _place="field")
    return (
        since_operation(season, operation, field)
        .filter(
            pl.col("operation_day").is_not_null()
            & pl.col("practice").is_not_null()
            & pl.col("harvested").is_not_null()
            & ~pl.col("check_worked")
        )
        .join(depth, on=["field", "practice", "operation_day"], how="left")
        .join(place, on="field", how="left", maintain_order="left")
        .with_columns(
            after=pl.struct(pl.coalesce("_place", "field"), "season").n_unique().over("practice")
        )
        .drop("_place")
    )


def _shaped(rows: pl.DataFrame) -> pl.DataFrame:
    """Give all measures the same columns: ``value`` with its ``error``, and ``low`` and ``high``.

    Where there is no value, ``low`` is what it is at least, ``high`` what it is at most.
    """
    absent = [name for name in ("error", "low", "high") if name not in rows.columns]
    number = pl.Float64()
    return rows.with_columns(pl.lit(None, number).alias(name) for name in absent).select(
        *SITE_YEAR,
        "measure",
        "layer",
        pl.col("depth_cm").cast(number),
        *(pl.col(name).cast(number) for name in ("value", "error", "low", "high")),
    )


def _whole(measure: str, rows: pl.DataFrame, value: pl.Expr) -> pl.DataFrame:
    """Return a measure of the whole profile from rows of field and season, where it is known."""
    named = rows.with_columns(
        measure=pl.lit(measure),
        layer=pl.lit(WHOLE_PROFILE),
        depth_cm=pl.lit(None, pl.Float64),
        value=value,
    )
    return _shaped(named.filter(pl.col("value").is_not_null()))


def _leads(root_lead: pl.DataFrame) -> pl.DataFrame:
    """Leads by depth: known from both strips, or bounded by one."""
    both = pl.col("known") == "both"
    low, high = pl.col("lead_low_d"), pl.col("lead_high_d")
    rows = root_lead.select(
        *SITE_YEAR,
        "depth_cm",
        measure=pl.lit("root lead"),
        layer=depth_text(pl.col("depth_cm")),
        value=pl.when(both).then("lead_d"),
        error=pl.when(both).then((high - low) / (2 * Z_90)),
        low=pl.when(pl.col("known") == "treated only").then(low),
        high=pl.when(pl.col("known") == "check only").then(high),
    )
    known = pl.any_horizontal(pl.col(name).is_not_null() for name in ("value", "low", "high"))
    return _shaped(rows.filter(known))


def _uptake(site_years: pl.DataFrame, drawdown_season: pl.DataFrame) -> pl.DataFrame:
    """Uptake from below the working depth."""
    rows = uptake_gains(site_years, drawdown_season).rename({"deep_uptake_error_mm": "error"})
    return _whole("deep uptake", rows, pl.col("deep_uptake_gain_mm"))


def _efficiency(water_use_season: pl.DataFrame) -> pl.DataFrame:
    """Change of water use efficiency, the same in the rows of both strips."""
    ends = pl.col("efficiency_change_high_pct") - pl.col("efficiency_change_low_pct")
    rows = water_use_season.group_by(SITE_YEAR).agg(
        pl.col("efficiency_change_pct").max(), error=ends.max() / (2 * Z_95)
    )
    return _whole("water use efficiency", rows, pl.col("efficiency_change_pct"))


def _recharge(recharge_winter: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Recharge in mm, and as points of percent of rain and snow."""
    rows = recharge_gains(recharge_winter)
    points = 100 * pl.col("recharge_share_gain")
    return (
        _whole("winter recharge", rows, pl.col("recharge_gain_mm")),
        _whole("winter recharge share", rows, points),
    )


def _capture(capture_season: pl.DataFrame) -> pl.DataFrame:
    """Capture in points of percent of the rain."""
    ends = pl.col("capture_gain_high") - pl.col("capture_gain_low")
    rows = capture_gains(capture_season).with_columns(error=100 * ends / (2 * Z_95))
    return _whole("rain capture", rows, 100 * pl.col("capture_gain"))


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
