"""When the roots reached each sensor.

For each depth of a strip the season's daily uptakes (in % of volume a day, so that thick and thin
layers compare) are searched for the day on which sustained uptake begins (``root_onset``: method,
interval, and what was set on simulated strips). Days of wetting, of frost and of unusable sensors
are gaps, never zeros. Drainage does not look like roots where the day-night method was used; where
only daily balances exist, the usual fall before roots can have come is taken off first. A depth is
searched from emergence on, from the day on that the fastest roots known could be there
(``root_pace``), and from the earliest day of the arrival at the depth above it on: roots come from
above. From one value a day nothing is dated before the end of a winter that the crop stood through: in
the fall a small crop draws less than a layer loses to the soil around it, and in frost nothing.
If the search without the bound by the depth above finds an arrival that is earlier by more than its
interval, the day is doubtful and the row says so. If no roots were seen at a depth above and it drew
far less in the weeks after the arrival, nothing is reported: roots cannot have come past it unseen.

What a row says where there is no day: the probe was not there (probe out); the sensor lies within
15 cm of the surface, where evaporation looks the same (FAO Irrigation and Drainage Paper 56 gives
0.10 to 0.15 m as the depth that evaporation dries); the soil was above its drained upper limit for most of
the season, or fewer than half of the days were measured (not told). Where uptake shows in the month
after a winter, at a depth that the fall was warm enough to reach, the roots may have come in the
fall, and only the latest day is known (before the record). Only with enough days does a
row say that the roots did not come (not seen).
"""

from datetime import date, timedelta

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.roots.root_arrival import TABLE
from transforms.methods.calendar_day import OPEN_END
from transforms.methods.crop_days import emergence, with_crop_year
from transforms.roots.methods.root_onset import LEAST_OF_STRETCH, onset, quiet_until
from transforms.roots.methods.root_pace import fall_reach, first_possible
from transforms.roots.methods.root_series import DEPTH, by_balance, days, series

EVAPORATION_CM = 15.0
ENOUGH = 0.5  # of the days from emergence to harvest
WHOLE = 0.9
# An arrival is not believed if a depth above it draws less than this share of it in the weeks after.
WITNESS, WITNESS_D = 0.33, 28
AT_START_D = 3  # an arrival so soon after the first measured day may have been before it
SPRING_D = 30  # after the winter, in which a crop that has roots somewhere is sure to draw there

PART = "field season"

STRIP = ["field", "season", "strip"]
FOUND = ("day", "earliest_day", "latest_day", "quiet_until_day", "unbound_day")


def derive(
    drawdown_day: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    season: pl.DataFrame,
    weather_used_day: pl.DataFrame,
) -> pl.DataFrame:
    """One row a season, strip and depth at which the strip had a sensor in the season's crop year."""
    expected = first_possible(_expected(drawdown_day, season), season, weather_used_day)
    winters = fall_reach(season, weather_used_day)
    drawn = (
        days(drawdown_day, soil_water_day, season)
        .join(expected.select(*DEPTH, "possible_from"), on=DEPTH)
        .join(winters.select("field", "season", "winter_to"), on=["field", "season"], how="left")
        .sort(*DEPTH, "day")
    )
    arrivals = []
    passed: dict[tuple[object, ...], date] = {}
    for key, group in drawn.group_by(DEPTH, maintain_order=True):
        found = _arrival(group, passed.get(key[:3]))
        if found[1] is not None:
            passed[key[:3]] = found[1]
        arrivals.append((*key, *found))
    schema = pl.Schema(
        {name: drawn.schema[name] for name in DEPTH} | dict.fromkeys(FOUND, pl.Date())
    )
    rows = (
        expected.join(_watched(drawn), on=DEPTH, how="left")
        .join(pl.DataFrame(arrivals, schema=schema, orient="row"), on=DEPTH, how="left")
        .join(winters, on=["field", "season"], how="left")
    )
    rows = rows.join(_quiet_above(rows, drawn), on=DEPTH, how="left")
    return generated.conform(_with_state(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _arrival(group: pl.DataFrame, above: date | None) -> tuple[date | None, ...]:
    """Day, earliest and latest day of the arrival at one depth, and how long it was quiet.

    ``above`` is the earliest day of the arrival at the depth above. Last comes the latest day of an
    arrival that is not bound by it, null where it does not bind.
    """
    if group["depth_cm"][0] < EVAPORATION_CM:
        return (None,) * len(FOUND)
    possible: date = group["possible_from"][0]
    winter: date | None = group["winter_to"][0]
    if winter is not None and by_balance(group):
        possible = max(possible, winter + timedelta(days=1))
    not_before = max(above or possible, possible)
    drawn = series(group, not_before)

    def at(position: float) -> date | None:
        return drawn.first + timedelta(days=round(position)) if np.isfinite(position) else None

    found = onset(drawn.uptake, drawn.look, (not_before - drawn.first).days)
    quiet = quiet_until(drawn.uptake)
    unbound = None
    if not_before > possible:
        free = series(group, possible)
        unbound = at(onset(free.uptake, free.look, (possible - free.first).days).high)
    return at(found.day), at(found.low), at(found.high), at(quiet) if quiet >= 0 else None, unbound


def _quiet_above(rows: pl.DataFrame, drawn: pl.DataFrame) -> pl.DataFrame:
    """``alone``: whether a depth above drew far less in the weeks after the arrival than this one.

    Looked at are depths without an arrival, over ``WITNESS_D`` days: the mean uptake there, and twice
    its standard error more, is below ``WITNESS`` of the deeper one's.
    """
    c = pl.col
    deep = rows.filter(c("day").is_not_null()).select(*DEPTH, arrived="day")
    upper = rows.filter(c("day").is_null() & (c("depth_cm") >= EVAPORATION_CM)).select(
        *STRIP, upper_cm="depth_cm"
    )
    pairs = deep.join(upper, on=STRIP).filter(c("upper_cm") < c("depth_cm"))
    uptake = drawn.select(*STRIP, "day", "uptake_pct", at_cm="depth_cm").drop_nulls()

    def after(depth: str, name: str) -> pl.DataFrame:
        since = (c("day") - c("arrived")).dt.total_days()
        v = c("uptake_pct")
        return (
            pairs.join(uptake, left_on=[*STRIP, depth], right_on=[*STRIP, "at_cm"])
            .filter(since.is_between(0, WITNESS_D - 1))
            .group_by(*DEPTH, "upper_cm")
            .agg(v.mean().alias(name), (v.std() / v.len().sqrt()).alias(f"{name}_se"), n=v.len())
            .filter(c("n") >= LEAST_OF_STRETCH)
            .drop("n")
        )

    above = c("above") + 2 * c("above_se")
    return (
        after("upper_cm", "above")
        .join(after("depth_cm", "own"), on=[*DEPTH, "upper_cm"])
        .group_by(DEPTH)
        .agg(alone=(above < WITNESS * c("own")).any())
    )


def _watched(days: pl.DataFrame) -> pl.DataFrame:
    """How much of the season was measured at each depth."""
    measured = pl.col("uptake_pct").is_not_null()
    up = pl.col("day") >= pl.col("emerges")
    return days.group_by(DEPTH).agg(
        watched_from_day=pl.col("day").filter(measured).min(),
        watched_to_day=pl.col("day").filter(measured).max(),
        days=measured.sum(),
        days_up=(measured & up).sum(),
        wet_share=(pl.col("wet").fill_null(0.0) > 0.5).filter(up).mean(),
        method=pl.col("method").drop_nulls().mode().sort().first(),
    )


def _expected(drawdown_day: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Every season of a field with every depth that each of its strips had in its crop year."""
    days = drawdown_day.select("field", "strip", "depth_cm", "day", "season")
    ends = season.select("field", "season", day=pl.col("harvested").fill_null(OPEN_END))
    years = with_crop_year(pl.concat([days, ends], how="diagonal"), season)
    measured = years.filter(pl.col("strip").is_not_null())
    of_year = measured.drop("season").join(
        years.filter(pl.col("strip").is_null()).select("field", "season", "since"),
        on=["field", "since"],
    )
    of_season = measured.filter(pl.col("season").is_not_null())
    seen = pl.concat([of_year, of_season.select(of_year.columns)])
    last = seen.group_by("field", "season").agg(last=pl.col("day").max())
    return (
        season.select("field", "season", "crop", "seeded", "harvested", emerges=emergence())
        .join(seen.select(DEPTH).unique(), on=["field", "season"])
        .join(last, on=["field", "season"])
        .filter(pl.col("seeded") <= pl.col("last"))
        .with_columns(
            length=(pl.coalesce("harvested", "last") - pl.col("emerges")).dt.total_days() + 1
        )
    )


def _with_state(rows: pl.DataFrame) -> pl.DataFrame:
    """Add state, coverage, ``partial`` and the reason."""
    c = pl.col
    out = c("days").fill_null(0) == 0
    shallow = c("depth_cm") < EVAPORATION_CM
    coverage = (c("days_up").fill_null(0) / c("length").clip(1)).clip(0, 1)
    seen = c("day").is_not_null()
    soon = (c("latest_day") <= c("watched_from_day")) | (
        (c("day") - c("watched_from_day")).dt.total_days() <= AT_START_D
    )
    late = seen & soon & (c("watched_from_day") > c("emerges"))
    fall = (
        seen
        & (c("day") > c("winter_to"))
        & (c("earliest_day") <= c("winter_to") + pl.duration(days=SPRING_D))
        & (c("depth_cm") <= c("fall_reach_cm"))
    ).fill_null(False)
    before = late | fall
    above_earliest = c("earliest_day").forward_fill().shift(1).over(STRIP, order_by="depth_cm")
    before_above = (seen & (c("unbound_day") < above_earliest)).fill_null(False)
    wet = c("wet_share").fill_null(0.0) > ENOUGH
    few = coverage < ENOUGH
    standing = c("harvested").is_null()
    alone = seen & c("alone").fill_null(False)
    state = (
        pl.when(alone)
        .then(pl.lit("not told"))
        .when(before)
        .then(pl.lit("before the record"))
        .when(seen)
        .then(pl.lit("reached"))
        .when(out)
        .then(pl.lit("probe out"))
        .when(shallow | wet | few)
        .then(pl.lit("not told"))
        .otherwise(pl.lit("not seen"))
    )
    why = (
        pl.when(alone)
        .then(pl.lit("it looks as if the crop drew here, but a sensor above was quiet at the time"))
        .when(late)
        .then(pl.lit("the crop drew from this depth when the record of the season began"))
        .when(fall)
        .then(
            pl.lit(
                "the crop drew from this depth after the winter: the roots may have come in the fall"
            )
        )
        .when(before_above)
        .then(
            pl.lit("doubtful: it looks as if the crop drew here before it did at the depth above")
        )
        .when(seen)
        .then(None)
        .when(out)
        .then(pl.lit("no uptake was measured at this depth in this season"))
        .when(shallow)
        .then(pl.lit("so near the surface evaporation looks the same as uptake"))
        .when(wet)
        .then(pl.lit("the soil stood above its drained upper limit for most of the season"))
        .when(few)
        .then(pl.format("only {} days measured since emergence", c("days_up")))
        .when(standing)
        .then(pl.lit("no sustained uptake yet; the crop still stands"))
        .otherwise(pl.lit("no sustained uptake was seen"))
    )
    return rows.with_columns(
        state=state,
        coverage=coverage,
        days=c("days").fill_null(0),
        partial=(coverage < WHOLE) | out | shallow | before | alone | before_above,
        reason=pl.coalesce(
            why,
            pl.when(coverage < WHOLE).then(pl.lit("part of the days were not measured")),
        ),
        latest_day=pl.when(late & ~alone)
        .then(pl.max_horizontal("latest_day", "watched_from_day"))
        .when(~alone)
        .then("latest_day"),
        day=pl.when(~before & ~alone).then("day"),
        earliest_day=pl.when(~before & ~alone).then("earliest_day"),
        quiet_until_day=pl.when(state == "not seen").then("quiet_until_day"),
    )
