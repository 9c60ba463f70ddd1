"""response_driver: which causes the responses go with, honest about how few they are."""

import math

import numpy as np
import polars as pl

from schemas.tables.trial.response_cause import CAUSES
from schemas.tables.trial.response_cause import TABLE as TABLE_OF_CAUSES
from schemas.tables.trial.response_driver import TABLE
from transforms.methods.normal_range import Z_95
from transforms.trial.methods.by_practice import by_practice
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.trial_pooling import regression
from transforms.trial.methods.trial_statistics import (
    CONFIDENCE,
    false_discovery,
    groups_differ,
    rank_correlation,
)

# Site-years that share the value by nature are one observation of it, not several.
BY_OPERATION = ("operation_depth_cm", "operation_water_share")
BY_SEASON = ("season_rain_of_normal_pct",)

# What would have to be recorded for a cause to be known.
RECORD = {
    "season_rain_of_normal_pct": "a rain record from seeding to harvest and normals",
    "seeding_water_share": "a probe in the check strip at seeding",
    "seeding_water_gain_mm": "probes in both strips at seeding",
    "capture_gain": "probes in both strips through the rains",
    "root_lead_d": "probes at several depths in both strips until the roots are down",
    "water_use_gain_mm": "probes in both strips and rain from seeding to harvest",
    "deep_uptake_gain_mm": "probes below the working depth in both strips until harvest",
    "uptake_gain_mm": "probes in both strips until harvest",
    "vegetation_peak_gain": "images through the season over both strips",
    "vegetation_area_gain_d": "images through the season over both strips",
    "green_up_later_d": "images every few days in spring over both strips",
    "senescence_later_d": "images every few days from flowering to harvest over both strips",
    "operation_depth_cm": "the working depth in the field book",
    "operation_water_share": "a probe in the ground in the week before the work",
    "years_since": "the day of the operation in the field book",
    "crop": "two or more of each of two crops",
}
MANY = 1000


def derive(response_cause: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Rank correlation and a random-effects slope of the response (percent) on each cause.

    Crops are compared as groups, by a permutation test on ranks. For the others, Spearman's
    correlation with its permutation p (exact up to eight observations). The slope by one standard
    deviation of the cause comes from a random-effects regression with the Hartung-Knapp interval,
    and is drawn toward none by empirical Bayes over the practice's causes
    (Efron and Morris 1975, doi 10.1080/01621459.1975.10479864): where the slopes scatter no more
    than their errors, all go to none. The number needed after Bonett and Wright 2000
    (doi 10.1007/BF02294183). Causes of one farm's few years go together: none is proven here.
    """
    causes = [column.name for column in CAUSES]
    rows = in_fields(response_cause, comparison).with_columns(pl.col(causes).cast(pl.Float64))
    rows = once(rows, [], ["response_pct", *causes], ["shared_se_pct"])
    return by_practice(rows, TABLE, _practice)


def _practice(practice: str, group: pl.DataFrame) -> list[dict[str, object]]:
    """Return the rows of all causes of one practice, tested together."""
    rows = [_of_cause(practice, column.name, column.meaning, group) for column in CAUSES]
    rows.append(_of_crop(practice, group))
    adjusted = false_discovery([_number(row["p"]) for row in rows])
    shrunken = _shrunken(
        np.array([_number(row["slope_pct"]) for row in rows]),
        np.array([_number(row.pop("slope_se")) for row in rows]),
    )
    for row, p, slope in zip(rows, adjusted, shrunken, strict=True):
        row["p_adjusted"] = float(p)
        row["expected_slope_pct"] = float(slope)
        _add_verdict(row)
    return rows


def _number(value: object) -> float:
    return float(value) if isinstance(value, float | int) else float("nan")


def _observations(cause: str, group: pl.DataFrame) -> tuple[str, pl.DataFrame]:
    """Cause, response and its variance, site-years that share the cause's value made one."""
    known = group.filter(pl.col(cause).is_not_null() & pl.col("response_pct").is_not_null()).select(
        "field",
        "season",
        "operation_day",
        x=pl.col(cause).cast(pl.Float64),
        y="response_pct",
        v=pl.col("shared_se_pct") ** 2,
    )
    if cause in BY_OPERATION:
        unit, by = "operation", ["field", "operation_day"]
    elif cause in BY_SEASON:
        unit, by = "season", ["season"]
    else:
        return "site-year", known
    return unit, known.group_by(by, maintain_order=True).agg(
        pl.col("x").mean(),
        pl.col("y").mean(),
        # The variance of a mean; unknown where one part's is unknown.
        v=pl.when(pl.col("v").null_count() == 0).then(pl.col("v").sum() / pl.len() ** 2),
    )


def _of_cause(practice: str, cause: str, meaning: str, group: pl.DataFrame) -> dict[str, object]:
    unit, seen = _observations(cause, group)
    x, y = seen["x"].to_numpy(), seen["y"].to_numpy()
    v = seen["v"].fill_null(float("nan")).to_numpy()
    n = x.size
    known = group.filter(pl.col(cause).is_not_null()).height
    rho, p = rank_correlation(x, y)
    spread = float(x.std(ddof=1)) if n > 1 else float("nan")
    row: dict[str, object] = {
        "practice": practice,
        "cause": cause,
        "meaning": meaning,
        "unit_counted": unit,
        "observations": n,
        "rank_correlation": rho,
        "p": p,
        "cause_mean": float(x.mean()) if n else float("nan"),
        "cause_sd": spread,
        "slope_se": None,
        "slope_pct": None,
        "observations_needed": _needed(rho),
        "coverage": known / group.height,
        "partial": known < group.height,
    }
    if n >= 4 and spread > 0:
        line = regression(y, v, np.column_stack([np.ones(n), (x - x.mean()) / spread]))
        slope = line.at([0.0, 1.0])
        row |= {
            "slope_pct": slope.mean,
            "slope_low_pct": slope.low,
            "slope_high_pct": slope.high,
            "slope_se": slope.se,
        }
    return row


def _of_crop(practice: str, group: pl.DataFrame) -> dict[str, object]:
    """Whether the response differs between crops: groups, so no correlation and no slope."""
    known = group.filter(pl.col("crop").is_not_null() & pl.col("response_pct").is_not_null())
    return {
        "practice": practice,
        "cause": "crop",
        "meaning": TABLE_OF_CAUSES["crop"].meaning,
        "unit_counted": "site-year",
        "observations": known.height,
        "p": groups_differ(known["crop"], known["response_pct"]),
        "slope_se": None,
        "slope_pct": None,
        "coverage": known.height / group.height,
        "partial": known.height < group.height,
    }


def _needed(rho: float) -> int | None:
    """Observations for a power of 0.8 at this correlation; none where it is near nothing."""
    if math.isnan(rho) or abs(rho) < 0.05:
        return None
    if abs(rho) > 0.999:
        return 6  # the least with which an exact p of all orders can stay below 1 %
    needed = 3 + (1 + rho**2 / 2) * ((Z_95 + 0.841621) / math.atanh(abs(rho))) ** 2
    return max(6, math.ceil(needed))


def _shrunken(slope: np.ndarray, se: np.ndarray) -> np.ndarray:
    """Slopes times the share of their scatter that their errors do not explain."""
    known = np.isfinite(slope) & np.isfinite(se)
    if not known.any():
        return np.full(slope.shape, np.nan)
    true = max(0.0, float(np.mean(slope[known] ** 2 - se[known] ** 2)))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(true > 0, true / (true + se**2), 0.0)
    return np.where(known, slope * share, np.nan)


def _add_verdict(row: dict[str, object]) -> None:
    """Add the verdict, what would tell, and the reason, as text."""
    n, unit = int(_number(row["observations"])), str(row["unit_counted"])
    plural = f"{n} {unit}" + ("s" if n != 1 else "")
    rho, record = _number(row.get("rank_correlation")), RECORD[str(row["cause"])]
    known = _number(row["p_adjusted"]) <= 1 - CONFIDENCE
    if row["cause"] == "crop":
        _add_verdict_of_crop(row, known=known)
        return
    more = "more with more" if rho > 0 else "less with more"
    row["verdict"] = more if known else "cannot tell yet"
    if n < 4:
        row["reason"] = f"{plural}: no correlation is made of fewer than four"
    elif math.isnan(rho):
        row["reason"] = "the cause or the response is the same in all of them"
    elif row["partial"]:
        row["reason"] = "the cause is not known for some site-years"
    if known:
        return
    needed = row["observations_needed"]
    if math.isnan(rho):
        tell = f"more {unit}s that differ in it, with {record}"
    elif needed is None:
        tell = "nothing soon: so far the response goes neither up nor down with it"
    elif int(_number(needed)) > max(MANY, n):
        tell = "nothing soon: a correlation as weak as this needs more than a thousand"
    elif int(_number(needed)) > n:
        tell = (
            f"about {needed} {unit}s in all, were the correlation as strong as it looks, "
            f"with {record}"
        )
    else:
        tell = f"a few more {unit}s, with {record}: it looks strong, but many causes were looked at"
    row["would_tell"] = tell


def _add_verdict_of_crop(row: dict[str, object], *, known: bool) -> None:
    """Add the same for the crop."""
    row["verdict"] = "differs" if known else "cannot tell yet"
    if math.isnan(_number(row["p"])):
        row["reason"] = "no two crops have two site-years each"
    if not known:
        row["would_tell"] = f"more site-years, with {RECORD['crop']}; several of each tell sooner"
