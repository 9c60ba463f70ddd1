"""vegetation_response: the curve of a season's vegetation index, treated less check."""

import polars as pl

from schemas import generated
from schemas.tables.trial.vegetation_response import TABLE
from transforms.methods.alike_ground import APART

KEY = ["field", "season", "source"]
SIDE = [*KEY, "side"]
MAX_GAP_D = 20  # between two images, for what lies between to be known; no source
HALF = 0.5
BARE = (
    0.5  # of the peak: a curve that was not lower on a side began or ended in the crop; no source
)
LIMITS = (
    "The strips' own ground shows in the index too: compare years before the work. The interval holds ground "
    "that differs from place to place, not a slope across the strips or a streak along one of them. Thin cloud that no "
    "band marks lowers an index; two sources are not compared with each other."
)
FAR_APART = f" Also {APART}."
_SIDES = ("treated", "check")
_COMPARED = (
    ("peak", "peak", "difference", ""),
    ("area", "area", "difference", "_d"),
    ("green_up_at", "green_up", "later", "_d"),
    ("senescence_at", "senescence", "later", "_d"),
)


def derive(vegetation_pair: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Peak, area under the curve, green-up and senescence of each season and source.

    Of the days on which both strips were seen, straight lines between. Green-up is the first day on
    which the index passes half of its rise from the lowest before the peak to the peak, senescence
    the last on which it falls below half of its way down (the half-maximum of White et al. 1997,
    doi 10.1029/97GB00330, from memory). An error of the ground is the same on every day, so
    half the widths of the days' intervals add up in the area and do not cancel; a day is as uncertain
    as the difference of the indexes is there, by the slope of the curve that is less steep. Days
    between images more than MAX_GAP_D apart are not known.
    """
    both = vegetation_pair.filter(
        pl.col("season").is_not_null() & pl.col("difference").is_not_null()
    ).sort(*KEY, "day")
    curves = pl.concat(
        both.select(
            *KEY,
            "day",
            side=pl.lit(side),
            index=pl.col(f"{side}_index"),
            half=(pl.col("difference_high") - pl.col("difference_low")) / 2,
        )
        for side in _SIDES
    )
    rows = _days(both, season)
    measured = _measured(curves)
    for side in _SIDES:
        own = measured.filter(pl.col("side") == side).drop("side")
        rows = rows.join(
            own.rename({c: f"{side}_{c}" for c in own.columns if c not in KEY}), on=KEY, how="left"
        )
    return generated.conform(_compared(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _days(both: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """The days seen, and the share of the season that lies between images near enough."""
    gap = pl.col("day").diff().dt.total_days()
    seen = both.group_by(KEY).agg(
        pl.col("crop").first(),
        days_seen=pl.len().cast(pl.Int64),
        first_day=pl.col("day").min(),
        last_day=pl.col("day").max(),
        longest_gap_d=gap.max().cast(pl.Float64),
        near=gap.filter(gap <= MAX_GAP_D).sum(),
        far=pl.col("reason").str.contains(APART, literal=True).any(),
    )
    ends = pl.coalesce("harvested", "last_day")
    length = (ends - pl.col("seeded")).dt.total_days().clip(1)
    return seen.join(
        season.select("field", "season", "seeded", "harvested"), on=["field", "season"]
    ).with_columns(coverage=(pl.col("near") / length).clip(0, 1))


def _measured(curves: pl.DataFrame) -> pl.DataFrame:
    """Peak, area, green-up and senescence of each strip's curve, and how far the ground may move each."""
    day, index, half = pl.col("day"), pl.col("index"), pl.col("half")
    wide = (day - day.shift()).dt.total_days().over(SIDE)
    peak_day = day.sort_by(index).last().over(SIDE)
    low_before = index.filter(day <= peak_day).min().over(SIDE)
    low_after = index.filter(day >= peak_day).min().over(SIDE)
    peak = index.max().over(SIDE)
    steps = curves.with_columns(
        wide=wide,
        was=index.shift().over(SIDE),
        half_was=half.shift().over(SIDE),
        before=day.shift().over(SIDE),
        peak_day=peak_day,
        up=_half_way(low_before, peak),
        down=_half_way(low_after, peak),
    )
    return steps.group_by(SIDE).agg(
        peak=pl.col("index").max(),
        peak_half=half.sort_by("index").last(),
        area=_area("index", "was"),
        area_half=pl.when(half.null_count() == 0).then(_area("half", "half_was")),
        **_crossing("green_up", rising=True),
        **_crossing("senescence", rising=False),
    )


def _half_way(low: pl.Expr, peak: pl.Expr) -> pl.Expr:
    """The level half way up from the lowest on one side of the peak; null if that is no bare ground."""
    return pl.when(low <= BARE * peak).then(low + HALF * (peak - low))


def _area(now: str, before: str) -> pl.Expr:
    """Area under straight lines between the days (trapezoids), in units times days."""
    return ((pl.col(now) + pl.col(before)) / 2 * pl.col("wide")).sum()


def _crossing(name: str, *, rising: bool) -> dict[str, pl.Expr]:
    """The outermost crossing of the half level on one side of the peak: days since 1970, and how far it may move."""
    level = pl.col("up" if rising else "down")
    now, was = pl.col("index"), pl.col("was")
    if rising:
        here = (was < level) & (now >= level) & (pl.col("day") <= pl.col("peak_day"))
    else:
        here = (was >= level) & (now < level) & (pl.col("before") >= pl.col("peak_day"))
    along = (level - was) / (now - was)
    slope = ((now - was) / pl.col("wide")).abs()
    moved = (pl.col("half_was") + along * (pl.col("half") - pl.col("half_was"))) / slope
    known = here & (pl.col("wide") <= MAX_GAP_D)
    at = pl.col("before").cast(pl.Int32) + along * pl.col("wide")

    def one(value: pl.Expr) -> pl.Expr:
        found = pl.when(known).then(value).filter(here)
        return found.first() if rising else found.last()

    return {f"{name}_at": one(at), f"{name}_half": one(moved)}


def _compared(rows: pl.DataFrame) -> pl.DataFrame:
    """Treated less check of all, with intervals, and what is missing."""
    limits = pl.lit(LIMITS) + pl.when("far").then(pl.lit(FAR_APART)).otherwise(pl.lit(""))
    made: dict[str, pl.Expr] = {"limits": limits, "partial": pl.col("coverage") < 1}
    for value, stem, end, unit in _COMPARED:
        difference = pl.col(f"treated_{value}") - pl.col(f"check_{value}")
        halves = [pl.col(f"{side}_{stem}_half") for side in _SIDES]
        known = pl.all_horizontal(one.is_not_null() for one in halves)
        half = pl.when(known).then(pl.max_horizontal(halves))
        made[f"{stem}_{end}{unit}"] = difference
        made[f"{stem}_{end}_low{unit}"] = difference - half
        made[f"{stem}_{end}_high{unit}"] = difference + half
        for side in _SIDES:
            own = pl.col(f"{side}_{value}")
            name = f"{side}_{stem}_day" if end == "later" else f"{side}_{stem}{unit}"
            dated = own.round().cast(pl.Int32, strict=False).cast(pl.Date)
            made[name] = dated if end == "later" else own
    reason = pl.concat_str(
        pl.when(pl.col("days_seen") < 3).then(pl.lit("fewer than three days were seen")),
        pl.when(pl.col("longest_gap_d") > MAX_GAP_D).then(
            pl.lit("a gap between images is longer than is bridged")
        ),
        pl.when(
            pl.any_horizontal(pl.col("treated_green_up_at", "check_green_up_at").is_null())
        ).then(pl.lit("no images on both sides of green-up")),
        pl.when(
            pl.any_horizontal(pl.col("treated_senescence_at", "check_senescence_at").is_null())
        ).then(pl.lit("no images on both sides of senescence")),
        pl.when(pl.col("coverage") < 1).then(pl.lit("the images do not span the whole season")),
        separator="; ",
        ignore_nulls=True,
    )
    return rows.with_columns(**made).with_columns(reason=reason.replace("", None))
