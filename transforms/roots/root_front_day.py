"""The depth of the root front by day, between the days on which it passed the sensors.

The front goes straight from the surface at emergence to each depth on the day that its roots
arrived (``root_arrival``). Roots pass the upper sensor before the lower one: where the noise has an
upper arrival after a lower one, the upper is taken to be as early as the lower (roots that draw at
one depth have passed all above). After the last arrival the front stays where it was last seen;
``deepest_passed`` says that it may be deeper. ``front_low_cm`` takes every arrival at its latest,
``front_high_cm`` at its earliest; below the deepest arrival the next depth bounds it as long as not
even weak uptake was seen there, and where there is none nothing does.
"""

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import generated
from schemas.tables.roots.root_front_day import TABLE
from transforms.methods.crop_days import emergence

PART = "field season"

STRIP = ["field", "season", "strip"]
KNOWN = ["reached", "not seen"]


def derive(root_arrival: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """One row a strip and day from emergence to harvest (or the last day watched). Depths in cm."""
    rows = root_arrival.join(
        season.select("field", "season", "harvested", noted=pl.col("emerged"), emerges=emergence()),
        on=["field", "season"],
    ).sort(*STRIP, "depth_cm")
    frames = [_front(group) for _, group in rows.group_by(STRIP, maintain_order=True)]
    if not frames:
        return generated.empty(TABLE)
    return generated.conform(pl.concat(frames), TABLE).sort(TABLE.key)


def _front(strip: pl.DataFrame) -> pl.DataFrame:
    """The front of one strip in one season."""
    emerges: date = strip["emerges"].to_list()[0]
    watched: list[date] = strip["watched_to_day"].drop_nulls().to_list()
    last: date | None = strip["harvested"].to_list()[0] or max(watched, default=None)
    if last is None or last < emerges:
        return generated.empty(TABLE)
    days = pl.date_range(emerges, last, eager=True)
    at = np.arange(len(days)).astype(np.float64)
    seen = strip.filter(pl.col("day").is_not_null())
    known = strip.filter(pl.col("state").is_in(KNOWN)).height
    front, low, high = (
        _line(seen, name, emerges, at) for name in ("day", "latest_day", "earliest_day")
    )
    passed = at >= _days_from(emerges, seen["day"])[-1] if seen.height else np.zeros(len(at), bool)
    high = _bounded(strip, seen, high, emerges, at)
    return generated.conform(
        pl.DataFrame(
            {
                **{name: strip[name][0] for name in STRIP},
                "day": days,
                "front_cm": front,
                "front_low_cm": low,
                "front_high_cm": high,
                "deepest_passed": passed,
                "depths": seen.height,
                "coverage": known / strip.height,
                "partial": known < strip.height,
                "reason": _reason(strip, seen.height),
            }
        ).with_columns(
            pl.col("front_cm", "front_low_cm", "front_high_cm").fill_nan(None),
            pl.when(seen.height > 0).then("deepest_passed"),
        ),
        TABLE,
    )


def _bounded(
    strip: pl.DataFrame,
    seen: pl.DataFrame,
    high: NDArray[np.float64],
    emerges: date,
    at: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The deepest front possible: below the last arrival, the next depth while it was quiet there."""
    deepest = float(seen["depth_cm"].to_list()[-1]) if seen.height else 0.0
    since = _days_from(emerges, seen["earliest_day"])[-1] if seen.height else 0.0
    below = strip.filter((pl.col("state") == "not seen") & (pl.col("depth_cm") > deepest))
    bound = np.full(len(at), np.nan)
    for depth, quiet in zip(below["depth_cm"], below["quiet_until_day"].to_list(), strict=True):
        if quiet is not None:
            quiet_here = (at <= (quiet - emerges).days) & np.isnan(bound)
            bound[quiet_here] = depth
    return np.where(at >= since, bound, high)


def _days_from(start: date, days: pl.Series) -> NDArray[np.float64]:
    """Days since start, made to grow with depth: no depth later than a deeper one."""
    since = (days - start).dt.total_days().to_numpy().astype(float)
    return np.maximum(np.minimum.accumulate(since[::-1])[::-1], 0.0)


def _line(
    seen: pl.DataFrame, name: str, emerges: date, at: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Straight lines from the surface at emergence through the arrivals; NaN without any."""
    if seen.is_empty():
        return np.full(len(at), np.nan)
    when = np.concatenate([[0.0], _days_from(emerges, seen[name])])
    return np.asarray(np.interp(at, when, np.concatenate([[0.0], seen["depth_cm"].to_numpy()])))


def _reason(strip: pl.DataFrame, seen: int) -> str | None:
    """Why there is no front, or what it lacks."""
    reasons = []
    if seen == 0:
        reasons.append("no arrival of roots is known at any depth")
    silent = strip.filter(~pl.col("state").is_in(KNOWN))["depth_cm"]
    if len(silent):
        reasons.append("nothing known at " + ", ".join(f"{d:g}" for d in silent) + " cm")
    if strip["noted"].to_list()[0] is None:
        reasons.append("emergence not noted, ten days after seeding taken")
    return "; ".join(reasons) or None
