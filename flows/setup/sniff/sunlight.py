"""The clock by the sun and by the warmth of the day: what the values say about the stamps."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import polars as pl

from flows.setup.sniff.columns import Column
from flows.setup.sniff.stamps import Stamps
from schemas.farm.farm import Place
from transforms.methods.sun import solar_hours

NEAR_H = 0.2  # how near the sun must come to a clock to be taken for it
SURE_H = 4 / 60  # what a level sensor, a horizon and a good clock leave
LEAST_DAYS = 4
LEAST_WARM_DAYS = 10
WARMEST_H, COLDEST_H = 14.8, 4.8  # solar hours of the day's highest and lowest air temperature
WARMTH_NEAR_H = 3.0
DAY_S = 86400


@dataclass(frozen=True, slots=True)
class Clock:
    """One way to read the stamps: its layout keys, and local minus UTC for each row, in hours."""

    name: str
    keys: dict[str, object]
    offset_h: pl.Series


def offsets(local: pl.Series, zone: ZoneInfo) -> pl.Series:
    """Local minus UTC, in hours, of each stamp if the clock follows the zone's saving."""
    aware = local.dt.replace_time_zone(str(zone), ambiguous="earliest", non_existent="null")
    offset = aware.dt.base_utc_offset() + aware.dt.dst_offset()
    return (offset.dt.total_seconds() / 3600).cast(pl.Float64)


def by_sun(stamps: Stamps, columns: list[Column], place: Place) -> pl.DataFrame | None:
    """Per day: the clock's hour of the center of the radiation, and its solar noon if it were UTC."""
    if not 0 < stamps.step_s <= 3600 or place.longitude is None:
        return None
    column = next((c for c in columns if c.heading.quantity == "solar_radiation"), None)
    if column is None:
        return None
    frame = pl.DataFrame({"local": stamps.local, "value": column.values}).drop_nulls()
    top = frame["value"].quantile(0.98, "nearest")
    if not top or top <= 0:
        return None
    frame = frame.with_columns(pl.when(pl.col("value") > 0.02 * top).then("value").otherwise(0.0))
    # a day that is cut in half by a clock far from the place's is put together around its brightest hour
    hour = pl.col("local").dt.hour() + pl.col("local").dt.minute() / 60
    by_hour = frame.group_by(hour.alias("hour")).agg(pl.col("value").mean()).sort("value")
    brightest = float(by_hour["hour"][-1])
    moved = pl.col("local") - timedelta(hours=brightest - 12)
    per_day = (
        frame.with_columns(day=moved.dt.date(), hour=(moved.dt.hour() + moved.dt.minute() / 60))
        .group_by("day")
        .agg(
            center=(pl.col("hour") * pl.col("value")).sum() / pl.col("value").sum(),
            most=pl.col("value").max(),
            n=pl.len(),
        )
        .filter((pl.col("n") >= 0.95 * DAY_S / stamps.step_s) & (pl.col("most") > 0.45 * top))
        .sort("day")
        .with_columns(center=pl.col("center") + brightest - 12)
    )
    if per_day.height < LEAST_DAYS:
        return None
    noon = pl.col("day").cast(pl.Datetime("us")).dt.offset_by("12h").dt.replace_time_zone("UTC")
    solar = solar_hours(noon, place.longitude) % 24
    return per_day.with_columns(noon_utc=12.0 + (12.0 - solar))


def near(
    sun: pl.DataFrame, pairs: Sequence[tuple[Clock, str]], step_s: int
) -> tuple[list[tuple[Clock, str]], bool]:
    """The pairs of clock and end of the interval by which the sun is right, and whether that tells the end.

    The end is reported where the other one is further off by more than twice what a level sensor, a
    horizon, a good clock and the scatter of the days leave.
    """
    errors = [abs(sun_error(sun, clock, end, step_s)) for clock, end in pairs]
    best = min(range(len(pairs)), key=errors.__getitem__)
    clear_h = errors[best] + 2 * (SURE_H + 3 * _scatter(sun))
    kept = [
        pair
        for pair, error in zip(pairs, errors, strict=True)
        if error <= NEAR_H and (pair[1] == pairs[best][1] or error < clear_h)
    ]
    return kept, len({end for _, end in kept}) == 1


def centered(
    sun: pl.DataFrame,
    pairs: Sequence[tuple[Clock, str]],
    middles: Sequence[tuple[Clock, str]],
    step_s: int,
) -> bool:
    """Whether the sun is right by the middle of the interval, and by its ends not or clearly less."""
    at_ends, at_middle = (
        min(abs(sun_error(sun, clock, end, step_s)) for clock, end in some)
        for some in (pairs, middles)
    )
    clear_h = at_middle + 2 * (SURE_H + 3 * _scatter(sun))
    return at_middle <= NEAR_H < at_ends or (at_middle <= NEAR_H and clear_h < at_ends)


def _scatter(sun: pl.DataFrame) -> float:
    """Standard error in hours of the days' median, by the median distance from their neighbors."""
    center = sun["center"] - sun["noon_utc"]
    away = (center - center.rolling_median(9, min_samples=1, center=True)).abs().median()
    return 1.86 * float(away) / sun.height**0.5 if isinstance(away, int | float) else NEAR_H


def sun_error(sun: pl.DataFrame, clock: Clock, end: str, step_s: int) -> float:
    """Hours between the center of the radiation and the sun's noon by that clock; median of the days."""
    half = step_s / 7200
    shown = sun["center"] + {"end": -half, "start": half}.get(end, 0.0)
    if "zone" in clock.keys:
        days = sun["day"].cast(pl.Datetime("us")).dt.offset_by("12h")
        offset = offsets(days, ZoneInfo(str(clock.keys["zone"])))
    else:
        offset = pl.repeat(clock.offset_h[0], sun.height, eager=True, dtype=pl.Float64)
    error = (shown - offset - sun["noon_utc"] + 12) % 24 - 12
    # the worse half-year counts: a clock with daylight saving is right in one half only
    parts = [error.filter(offset == o).median() for o in offset.unique().to_list()]
    by_season = [
        error.filter(sun["day"].dt.month().is_in(months)).median()
        for months in ([4, 5, 6, 7, 8, 9, 10], [11, 12, 1, 2, 3])
    ]
    return max((float(p) for p in (*parts, *by_season) if isinstance(p, int | float)), key=abs)


def by_warmth(
    stamps: Stamps, columns: list[Column], place: Place, clocks: Sequence[Clock]
) -> list[Clock] | None:
    """The clocks by which the warmest and coldest hours fall where they should, within three hours."""
    column = next((c for c in columns if c.heading.quantity == "air_temp"), None)
    if column is None or not 0 < stamps.step_s <= 3600 or place.longitude is None:
        return None
    frame = pl.DataFrame({"local": stamps.local, "value": column.values}).drop_nulls()
    by_hour = frame.group_by(pl.col("local").dt.hour().alias("hour")).agg(
        pl.col("value").mean(), pl.len()
    )
    days = frame.height * stamps.step_s / DAY_S
    if by_hour.height < 24 or days < LEAST_WARM_DAYS:
        return None
    by_hour = by_hour.sort("value")
    coldest, warmest = float(by_hour["hour"][0]), float(by_hour["hour"][-1])
    solar_lag = place.longitude / 15

    def away(clock: Clock) -> float:
        offset = float(clock.offset_h.drop_nulls().mode()[0])
        warm = (warmest - offset + solar_lag - WARMEST_H + 12) % 24 - 12
        cold = (coldest - offset + solar_lag - COLDEST_H + 12) % 24 - 12
        return (abs(warm) + abs(cold)) / 2

    return [c for c in clocks if away(c) <= WARMTH_NEAR_H] or None
