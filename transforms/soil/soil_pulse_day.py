"""The day's course of a soil sensor: the slope of its nights and the step of its day.

Roots draw by day; water that moves within the soil moves by day and night alike. So over one day
and the nights on both sides (sunset to sunrise, 24 h and more) water content is fitted as

    theta(t) = a + b t - U S(t)

where b is the slope that both nights share (redistribution, drainage), S the share of a clear
day's sunlight that has fallen by t (0 before sunrise, 1 after sunset), and U the day's fall beyond
the nights' course: the uptake, in percent by volume. This is the day-night regression of Guderle
and Hildebrandt 2015 (Hydrology and Earth System Sciences 19, 409-425,
doi:10.5194/hess-19-409-2015, their multi-step multi-layer regression) with the step shape of
Jackisch et al. 2020 (Biogeosciences 17, 5787-5808, doi:10.5194/bg-17-5787-2020) in place of a
straight day: one ordinary least squares fit instead of three, so that its error is known and a
night that bends (drainage fades) cancels between the evening and the morning side.

A dielectric sensor also answers to temperature. The same fit is applied to soil temperature, and
what is left of both is regressed on each other; with those figures ``drawdown_day`` takes the
temperature error out, for a response that it learns from many days. If temperature hardly moved,
that regression divides by next to nothing: a response whose interval (twice its standard error to
either side) passes the declared limits is unknown.

A row depends on the readings of its day and of one day on either side (``MARGIN_DAYS``).
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import generated
from schemas.tables.soil.soil_pulse_day import TABLE
from transforms.methods import calendar_day, sun
from transforms.soil.methods.water_readings import SENSOR, water_readings

MARGIN_DAYS = 1

SHORTEST_NIGHT_H = 5.0  # a polar summer has a night of this length all the same
LEAST_EACH = 2  # readings needed in each night and in the day
HOUR_S = 3600
SPIKE_PCT = 1.0
SPIKE_TIMES = 3.0  # of how far the neighbors differ

LEAST_LEFT_C = 1e-6  # squared degrees, below that is the noise of arithmetic
MOST_DAYS = 10**8  # between two readings
DECIMALS = 9  # below that is the noise of arithmetic
PAIRS = ("tt", "ts", "ss", "tv", "sv", "vv", "tc", "sc", "cc", "vc")
_SUMMED = ("readings", "before", "by_day", "after", "hours", "hours_all", *PAIRS)

Array = NDArray[np.float64]

WINDOW = ["sensor_no", "solar_day"]


def derive(
    soil_reading: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor and day with readings. Water contents in %, temperatures in degC.

    At a farm without a place nothing is fitted, with a reason. ValueError where ``farm`` is not
    one row.
    """
    if soil_reading.is_empty():
        return generated.empty(TABLE)
    sensors = soil_reading.select(SENSOR).unique().sort(SENSOR).with_row_index("sensor_no")
    water = water_readings(soil_reading, sensor, farm).join(sensors, on=SENSOR)
    readings = _without_spikes(_placed(water, farm))
    reported = readings.group_by(WINDOW).agg(
        spikes=pl.col("spike").sum(), reported=pl.col("vwc").count()
    )
    has_place = farm["latitude_deg"].item() is not None
    windows = _windows(readings if has_place else readings.clear())
    rows = (
        reported.filter(pl.col("reported") > 0)
        .join(_fitted(_sums(windows)), on=WINDOW, how="left")
        .join(sensors, on="sensor_no")
    )
    noon_us = (pl.col("solar_day") * sun.DAY_H + 12 - _longitude(farm) / 15) * 3.6e9
    noon = pl.from_epoch(noon_us.cast(pl.Int64), time_unit="us").dt.replace_time_zone("UTC")
    placed = calendar_day.in_spell(
        _with_reason(rows, has_place=has_place).with_columns(day=calendar_day.day_of(noon, farm)),
        probe_spell,
        "probe",
        ["field", "strip"],
    )
    return generated.conform(placed.select(TABLE.names), TABLE).sort(TABLE.key)


def _longitude(farm: pl.DataFrame) -> float:
    """Return the farm's longitude, or that of its time zone, which gives the day but no sunrise."""
    given = farm["longitude_deg"].item()
    return float(farm["standard_offset_h"].item() * 15 if given is None else given)


def _placed(readings: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Readings by solar day: hours from noon (``x``) and the half length of the day.

    A reading closes its interval; it stands for the interval's middle.
    """
    half_interval = (pl.col("interval_s").clip(upper_bound=7200) * 5e5).cast(pl.Int64)
    middle = pl.col("time") - pl.duration(microseconds=half_interval)
    half = sun.half_day_h(middle.dt.ordinal_day(), farm["latitude_deg"].item() or 0.0)
    return (
        readings.select(
            "sensor_no",
            "vwc",
            "soil_temp_c",
            solar_h=sun.solar_hours(middle, _longitude(farm)),
            half=half.clip(2.0, 12 - SHORTEST_NIGHT_H / 2),
            step_s=pl.col("interval_s").fill_null(HOUR_S).round().cast(pl.Int64).clip(HOUR_S),
        )
        .with_columns(solar_day=(pl.col("solar_h") / sun.DAY_H).floor().cast(pl.Int64))
        .select(
            *WINDOW,
            "vwc",
            "soil_temp_c",
            "half",
            "step_s",
            x=pl.col("solar_h") - pl.col("solar_day") * sun.DAY_H - 12,
        )
        .sort(*WINDOW, "x")
    )


def _without_spikes(readings: pl.DataFrame) -> pl.DataFrame:
    """Takes out single readings far from both neighbors of the same day (marked ``spike``).

    QARTOD's spike test. Only the readings beside it decide, so that a rebuilt day from its
    margin alone finds the same spikes.

    Soil temperature that comes less often than water content stands until the next, for eight
    readings at most.
    """
    readings = readings.with_columns(group=pl.struct(WINDOW).rle_id())
    v = pl.col("vwc")

    def at(places: int) -> pl.Expr:
        return pl.when(pl.col("group").shift(places) == pl.col("group")).then(v.shift(places))

    one, other = pl.coalesce(at(1), at(-2)), pl.coalesce(at(-1), at(2))
    beyond = pl.max_horizontal(v - pl.max_horizontal(one, other), pl.min_horizontal(one, other) - v)
    limit = pl.max_horizontal(pl.lit(SPIKE_PCT), SPIKE_TIMES * (one - other).abs())
    return readings.with_columns(
        spike=(beyond > limit).fill_null(False),
        soil_temp_c=pl.col("soil_temp_c").forward_fill(limit=8).over("group"),
    ).with_columns(vwc=pl.when(~pl.col("spike")).then(v))


def _windows(readings: pl.DataFrame) -> pl.DataFrame:
    """Each reading with its own day, and those of a night also with the day on its other side.

    ``t`` is in days from noon, ``s`` the share of the day's sunlight that has fallen, ``slot`` the
    number of the clock hour, or of the logger's own longer step.
    """
    x, half = pl.col("x"), pl.col("half")
    known = readings.filter(pl.col("vwc").is_not_null())
    day = pl.col("solar_day")
    # One whole number sorts twice as fast as three columns; each part is in the order of time as it is.
    place = pl.col("sensor_no").cast(pl.Int64) * MOST_DAYS + day
    parts = (
        known.filter(x > half).with_columns(x=x - sun.DAY_H, solar_day=day + 1),
        known,
        known.filter(x < -half).with_columns(x=x + sun.DAY_H, solar_day=day - 1),
    )
    return (
        pl.concat(part.with_columns(order=3 * place + number) for number, part in enumerate(parts))
        .sort("order", maintain_order=True)
        .select(
            *WINDOW,
            "half",
            "vwc",
            "soil_temp_c",
            "step_s",
            t=x / sun.DAY_H,
            s=sun.sunlight_so_far(x, half),
            slot=(x * HOUR_S).round().cast(pl.Int64) // pl.col("step_s"),
        )
    )


def _sums(windows: pl.DataFrame) -> pl.DataFrame:
    """Counts and centered sums of products of t, s, water content (v) and temperature (c).

    Added up window by window in the order of time, whatever else is in the frame, so that a
    day rebuilt alone is the same to the last digit.
    """
    starts = np.flatnonzero(
        windows.select(
            (pl.col("sensor_no").diff().fill_null(1) != 0)
            | (pl.col("solar_day").diff().fill_null(1) != 0)
        )
        .to_series()
        .to_numpy()
    )
    if len(starts) == 0:
        return pl.DataFrame(
            schema=windows.select(WINDOW).schema | dict.fromkeys(_SUMMED, pl.Float64)
        )
    n = np.diff(np.append(starts, windows.height))

    def total(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts))

    values = {
        "t": windows["t"].to_numpy(),
        "s": windows["s"].to_numpy(),
        "v": windows["vwc"].to_numpy(),
        "c": windows["soil_temp_c"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    }
    near = {name: column - np.repeat(column[starts], n) for name, column in values.items()}
    mean = {name: total(column) / n for name, column in near.items()}
    night = np.abs(values["t"]) * sun.DAY_H > windows["half"].to_numpy()
    new_slot = np.append(True, np.diff(windows["slot"].to_numpy()) != 0)
    new_slot[starts] = True
    step_h = windows["step_s"].to_numpy() / HOUR_S
    sums = {
        "readings": n.astype(float),
        "before": total((night & (values["t"] < 0)).astype(float)),
        "by_day": total((~night).astype(float)),
        "after": total((night & (values["t"] > 0)).astype(float)),
        "hours": total(new_slot * step_h),
        "hours_all": 2 * (sun.DAY_H - windows["half"].to_numpy()[starts]),
        **{
            pair: total(near[pair[0]] * near[pair[1]]) - n * mean[pair[0]] * mean[pair[1]]
            for pair in PAIRS
        },
    }
    return (
        windows[starts]
        .select(WINDOW)
        .with_columns(pl.Series(name, column, nan_to_null=True) for name, column in sums.items())
    )


def _fitted(sums: pl.DataFrame) -> pl.DataFrame:
    """Least squares of theta and of temperature on t and s, and of one remainder on the other."""
    c = pl.col
    det = c("tt") * c("ss") - c("ts") ** 2
    enough = (pl.min_horizontal("before", "by_day", "after") >= LEAST_EACH) & (det > 1e-9)
    sums = sums.with_columns(
        slope=(c("tv") * c("ss") - c("sv") * c("ts")) / det,
        step=(c("sv") * c("tt") - c("tv") * c("ts")) / det,
        temp_slope=(c("tc") * c("ss") - c("sc") * c("ts")) / det,
        temp_step=(c("sc") * c("tt") - c("tc") * c("ts")) / det,
        free=c("readings") - 3,
    ).with_columns(
        left_v=(c("vv") - c("slope") * c("tv") - c("step") * c("sv")).clip(0),
        left_c=(c("cc") - c("temp_slope") * c("tc") - c("temp_step") * c("sc")).clip(0),
        left_vc=c("vc") - c("slope") * c("tc") - c("step") * c("sc"),
    )
    response = c("left_vc") / c("left_c")
    unexplained = (c("left_v") - response * c("left_vc")).clip(0)
    reach = response.abs() + 2 * (unexplained / (c("free") - 1) / c("left_c")).sqrt()
    moved = (c("left_c") > LEAST_LEFT_C) & (reach <= TABLE["temp_response_pct_c"].high)
    residual = (c("left_v") / c("free")).sqrt()
    fits = {
        "night_slope_pct_d": c("slope"),
        "day_fall_pct": -c("step"),
        "day_fall_error_pct": residual * (c("tt") / det).sqrt(),
        "residual_pct": residual,
        "temp_night_slope_c_d": c("temp_slope"),
        "temp_day_fall_c": -c("temp_step"),
        "temp_swing_c": (c("left_c") / c("free")).sqrt(),
        "temp_response_pct_c": pl.when(moved).then(response),
    }
    return sums.select(
        *WINDOW,
        c("readings").cast(pl.Int64),
        *(pl.when(enough).then(value).round(DECIMALS).alias(name) for name, value in fits.items()),
        coverage=(c("hours") / c("hours_all")).clip(0, 1),
    )


def _with_reason(rows: pl.DataFrame, *, has_place: bool) -> pl.DataFrame:
    """Add coverage, ``partial`` and why there is no fit."""
    none = pl.col("day_fall_pct").is_null()
    still = pl.col("temp_swing_c").is_not_null() & pl.col("temp_response_pct_c").is_null()
    return rows.with_columns(
        readings=pl.col("readings").fill_null(0),
        spikes=pl.col("spikes").cast(pl.Int64),
        coverage=pl.col("coverage").fill_null(0.0),
        partial=none | (pl.col("coverage").fill_null(0.0) < 0.9),
        reason=pl.when(not has_place)
        .then(pl.lit("farm.toml gives the farm no place, so day and night are not known"))
        .when(none)
        .then(pl.lit("too few readings in the day or in the night before or after it"))
        .when(still)
        .then(pl.lit("soil temperature hardly moved: how the sensor responds to it is not known")),
    )
