"""Which units a column's values may be written in: those in which they are something that can be.

Judged after conversion: temperatures against the season at that latitude, radiation against the
top of the atmosphere, rain by what falls in a day on average and by the step of the gauge.
"""

from dataclasses import dataclass
from math import cos, gcd, pi, sin

import polars as pl

from flows.base import units
from flows.setup.sniff import heading_words
from flows.setup.sniff.columns import Column
from flows.setup.sniff.twice import decimals
from schemas.quantities import BY_NAME
from transforms.methods import penman

# Mean temperature by season: the warmest month is about 27 minus 0.012·latitude² from the equator,
# the range grows with latitude; a place may lie this far from it. Rough on purpose; no source.
FAR_C = 15.0
RAIN_DAY_MM = (0.25, 8.0)  # average a day of places where grain grows
DRY_MM = 0.03  # where a unit is written, a dry spell alone does not gainsay it
LEAST_DAYS = 45.0
# What one tip or the last digit of a gauge stands for; WMO-No. 8 and common practice.
TIPS_MM = (0.1, 0.2, 0.25, 0.254, 0.5)
TENTHS = ("0.1 degC",)  # of a degree, as some networks write them
LEAST_AMOUNTS = 5
CLEAR_DAYS = 10.0
# of the top of the atmosphere at noon, in the brightest step of many days
CLEAR_SHARE = (0.5, 1.05)


@dataclass(frozen=True, slots=True)
class Setting:
    """What units are judged by: the times (UTC or nearly), the step, the latitude if known."""

    time: pl.Series
    step_s: int
    days: float
    latitude: float | None


def units_of(column: Column, setting: Setting) -> list[str]:
    """The units that stay possible, of those that the quantity is measured in."""
    kind = heading_words.family(str(column.heading.quantity))
    options = heading_words.MEASURED_IN[kind]
    if column.unit_written not in (None, *options):
        options = (str(column.unit_written),)
    possible = [u for u in options if _possible(column, u, kind, setting)]
    if kind == "rain":
        possible = [u for u in possible if u[0] != "0" or _whole_numbers(column)]
        if len(possible) > 1:
            possible = [u for u in possible if _by_tips(column, u)] or possible
    if kind == "temp" and not possible and _whole_numbers(column):
        possible = [u for u in TENTHS if _possible(column, u, kind, setting)]
    if kind == "solar" and len(possible) > 1:
        possible = [u for u in possible if _clear_once(column, u, setting)] or possible
    usual = column.heading.usual  # the unit of the published record that has this heading
    if not possible and usual is not None and _possible(column, usual, kind, setting):
        return [usual]
    return possible


def _whole_numbers(column: Column) -> bool:
    """Whether every value is a whole number, as tenths and tips are written."""
    values = column.values.drop_nulls()
    return bool((values == values.round()).all())


def _by_tips(column: Column, unit: str) -> bool:
    """Whether the step that all amounts are multiples of is one that gauges have, in that unit."""
    values = column.values.drop_nulls()
    if is_total(values):
        values = values.diff().drop_nulls()
    fell = values.filter(values > 0).unique()
    if fell.len() < LEAST_AMOUNTS:
        return True
    slope, _ = units.line(unit, "mm")
    if _whole_numbers(column):
        step = gcd(*fell.cast(pl.Int64).to_list())
        if float(fell.max()) < 3 * step:  # type: ignore[arg-type]
            return True
        return any(abs(step * slope / tip - 1) < 0.01 for tip in TIPS_MM)
    last = 10.0 ** -decimals(fell)  # what the last digit written stands for
    wide = [tip / slope for tip in TIPS_MM if tip / slope > 4 * last]
    return any(
        bool((((fell / tip).round() * tip - fell).abs() <= 0.51 * last).all()) for tip in wide
    )


def _clear_once(column: Column, unit: str, setting: Setting) -> bool:
    """Whether the brightest step in many days comes near to that of a clear sky at noon.

    A clear hour lets about three quarters of the light through (Allen et al. 1998, equation 37, at
    sea level); within ten days some step around noon is clear.
    """
    if setting.latitude is None or setting.days < CLEAR_DAYS or not 0 < setting.step_s <= 3600:
        return True
    slope = {"W/m^2": 1.0, "MJ/m^2": 1e6 / setting.step_s, "kJ/m^2": 1e3 / setting.step_s}[unit]
    frame = pl.DataFrame({"time": setting.time, "value": column.values * slope}).drop_nulls()
    day = pl.col("time").dt.ordinal_day().cast(pl.Float64)
    tilt, north = 0.409 * (2 * pi * day / 365 - 1.39).sin(), setting.latitude * pi / 180
    noon = 1367 * (sin(north) * tilt.sin() + cos(north) * tilt.cos())
    shares = frame.group_by(pl.col("time").dt.date()).agg(
        ((pl.col("value") / noon).max()).alias("share")
    )
    return CLEAR_SHARE[0] <= _quantile(shares["share"], 0.95) <= CLEAR_SHARE[1]


def _possible(column: Column, written: str, kind: str, setting: Setting) -> bool:
    """Whether values in that unit are something that the quantity can be."""
    quantity = BY_NAME[str(column.heading.quantity)]
    target = {"solar": "MJ/m^2" if written != "W/m^2" else "W/m^2"}.get(kind, quantity.unit)
    slope, zero = units.line(written, target)
    values = (column.values * slope + zero).drop_nulls()
    if values.is_empty():
        return True
    if kind == "solar":
        return _solar_fits(values, column.values * slope + zero, written, setting)
    if kind == "rain":
        return _rain_fits(column, slope, setting)
    low = quantity.column.low if quantity.column.low is not None else -1e300
    high = quantity.column.high if quantity.column.high is not None else 1e300
    inside = values.is_between(low, high).sum() / values.len()
    if inside < 0.97:
        return False
    middle, top = _quantile(values, 0.5), _quantile(values, 0.99)
    plausible = {
        "humidity": 3.0 < top <= 105.0 and middle > 1.5,
        "vwc": 3.0 <= top <= 75.0,
        "battery": 2.0 <= middle <= 30.0,
        "wind": top <= 35.0,
    }
    if kind == "temp":
        return _season_fits(column, slope, zero, setting)
    return plausible.get(kind, True)


def _quantile(values: pl.Series, at: float) -> float:
    found = values.quantile(at, "nearest")
    return float(found) if found is not None else 0.0


def expected_c(latitude: float, day_of_year: float) -> float:
    """Rough mean air temperature [degC] at a latitude [degree] on a day of the year."""
    north = abs(latitude)
    yearly = 27.0 - 0.0085 * north**2 if north < 60 else -2.0
    swing = min(18.0, 0.28 * north)
    warmest = 200.0 if latitude >= 0 else 200.0 - 182.0
    return yearly + swing * cos(2 * pi * (day_of_year - warmest) / 365.0)


def _season_fits(column: Column, slope: float, zero: float, setting: Setting) -> bool:
    frame = pl.DataFrame({"time": setting.time, "value": column.values * slope + zero}).drop_nulls()
    mean = float(frame["value"].sum() / max(frame.height, 1))
    soil = str(column.heading.quantity) == "soil_temp"
    if not _quantile(frame["value"], 0.01) >= -55 or _quantile(frame["value"], 0.99) > (
        45 if soil else 52
    ):
        return False
    if setting.latitude is None:
        return -25 <= mean <= 35
    days = frame["time"].dt.ordinal_day().to_list()[:: max(1, frame.height // 500)]
    wanted = sum(expected_c(setting.latitude, d) for d in days) / max(len(days), 1)
    shift = {"air_temp_max": 6.0, "air_temp_min": -6.0}.get(str(column.heading.quantity), 0.0)
    if soil:  # deep soil keeps the year's mean
        wanted = (wanted + expected_c(setting.latitude, 110)) / 2
    return abs(mean - wanted - shift) <= FAR_C


def _rain_fits(column: Column, slope: float, setting: Setting) -> bool:
    values = column.values.drop_nulls()
    fell = values
    if is_total(column.values):
        steps = values.diff().drop_nulls()
        fell = steps.filter(steps > 0)
    top = _quantile(fell.filter(fell > 0), 1.0) if (fell > 0).any() else 0.0
    most_in_step = 60.0 + setting.step_s / 86400 * 300.0
    if top * slope > most_in_step:
        return False
    if setting.days < LEAST_DAYS:
        return True
    covered = max(values.len() * setting.step_s / 86400, 1.0)
    least = RAIN_DAY_MM[0] if column.unit_written is None else DRY_MM
    return least <= float(fell.sum()) * slope / covered <= RAIN_DAY_MM[1]


def is_total(values: pl.Series) -> bool:
    """Whether a rain column is a running total: it seldom falls, and stays up where it is."""
    read = values.drop_nulls()
    positive = read.filter(read > 0)
    if read.len() < 24 or positive.len() < 0.5 * read.len():
        return False
    steps = read.diff().drop_nulls()
    falls = int((steps < 0).sum())
    return falls <= max(2, 0.03 * steps.len()) and int((steps == 0).sum()) > 0.3 * steps.len()


def _solar_fits(values: pl.Series, aligned: pl.Series, written: str, setting: Setting) -> bool:
    """Whether the day's radiation is a fair part of what comes in at the top of the atmosphere."""
    frame = pl.DataFrame({"time": setting.time, "value": aligned}).drop_nulls()
    daily = frame.group_by(pl.col("time").dt.date().alias("day")).agg(
        pl.col("value").mean().alias("mean"),
        pl.col("value").sum().alias("sum"),
        pl.len().alias("n"),
    )
    whole = max(1, 86400 // max(setting.step_s, 1))
    daily = daily.filter(pl.col("n") >= 0.9 * whole)
    if daily.is_empty():
        return _quantile(values, 0.01) >= -30 and _quantile(values, 0.99) <= 1400
    latitude = 45.0 if setting.latitude is None else setting.latitude
    total = pl.col("mean") * 0.0864 if written == "W/m^2" else pl.col("sum")
    top = penman.extraterrestrial(pl.lit(latitude), pl.col("day").dt.ordinal_day().cast(pl.Float64))
    shares = daily.select((total / top).alias("share"))["share"].drop_nulls()
    best = _quantile(shares, 0.9)
    floor, ceiling = (0.15, 2.5) if setting.latitude is None else (0.25, 0.95)
    return floor <= best <= ceiling
