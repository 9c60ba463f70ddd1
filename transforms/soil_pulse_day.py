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
temperature error out, for a response that it learns from many days.

A row depends on the readings of its day and of one day on either side (``MARGIN_DAYS``).
"""

from __future__ import annotations

import polars as pl

from schemas import made
from schemas.catalogue import TABLES
from transforms import calendar_day, soil_day, sun

TABLE = TABLES["soil_pulse_day"]

MARGIN_DAYS = 1

SHORTEST_NIGHT_H = 5.0  # a polar summer has a night of this length all the same
LEAST_EACH = 3  # readings needed in each night and in the day
SPIKE_PCT = 1.0
SPIKE_TIMES = 6.0  # of the median step between readings

SENSOR = ["probe", "depth_cm"]
WINDOW = [*SENSOR, "solar_day"]


def derive(
    soil_reading: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor and day with readings. Water contents in %, temperatures in degC.

    ValueError where ``farm`` is not one row.
    """
    if soil_reading.is_empty():
        return made.empty(TABLE)
    readings = _without_spikes(_placed(soil_day.water_readings(soil_reading, sensor, farm), farm))
    windows = _windows(readings)
    rows = _fitted(_sums(windows)).join(
        readings.group_by(WINDOW).agg(spikes=pl.col("spike").sum(), reported=pl.col("vwc").count()),
        on=WINDOW,
        how="right",
    )
    rows = _said(rows.filter(pl.col("reported") > 0))
    noon = pl.from_epoch(
        ((pl.col("solar_day") * sun.DAY_H + 12 - farm["longitude_deg"].item() / 15) * 3.6e9).cast(
            pl.Int64
        ),
        time_unit="us",
    ).dt.replace_time_zone("UTC")
    rows = calendar_day.in_spell(
        rows.with_columns(day=calendar_day.day_of(noon, farm)),
        probe_spell,
        "probe",
        ["field", "strip"],
    )
    return made.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _placed(readings: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Readings by solar day: hours from noon and the half length of the day.

    A reading closes its interval; it stands for the interval's middle.
    """
    middle = pl.col("time") - pl.duration(
        microseconds=(pl.col("interval_s").clip(upper_bound=7200) * 5e5).cast(pl.Int64)
    )
    hours = sun.solar_hours(middle, farm["longitude_deg"].item())
    return readings.with_columns(solar_h=hours, ordinal=middle.dt.ordinal_day()).select(
        *SENSOR,
        "vwc",
        "soil_temp_c",
        solar_day=(pl.col("solar_h") / sun.DAY_H).floor().cast(pl.Int64),
        x=pl.col("solar_h") - (pl.col("solar_h") / sun.DAY_H).floor() * sun.DAY_H - 12,
        half=sun.half_day_h(pl.col("ordinal"), farm["latitude_deg"].item()).clip(
            2.0, 12 - SHORTEST_NIGHT_H / 2
        ),
    )


def _without_spikes(readings: pl.DataFrame) -> pl.DataFrame:
    """Marks readings far from the median of the five around them and takes their value out."""
    v = pl.col("vwc")
    around = v.rolling_median(5, center=True, min_samples=3).over(WINDOW, order_by="x")
    usual = v.diff().abs().median().over(WINDOW, order_by="x")
    limit = pl.max_horizontal(pl.lit(SPIKE_PCT), SPIKE_TIMES * usual)
    readings = readings.with_columns(spike=((v - around).abs() > limit).fill_null(False))
    return readings.with_columns(
        vwc=pl.when(~pl.col("spike")).then(v),
        soil_temp_c=pl.col("soil_temp_c").interpolate().over(SENSOR, order_by=["solar_day", "x"]),
    )


def _windows(readings: pl.DataFrame) -> pl.DataFrame:
    """Each reading with its own day, and those of a night also with the day on its other side."""
    x, half = pl.col("x"), pl.col("half")
    known = readings.filter(pl.col("vwc").is_not_null())
    evening = known.filter(x > half).with_columns(
        x=x - sun.DAY_H, solar_day=pl.col("solar_day") + 1
    )
    morning = known.filter(x < -half).with_columns(
        x=x + sun.DAY_H, solar_day=pl.col("solar_day") - 1
    )
    return pl.concat([known, evening, morning]).with_columns(
        s=sun.sunlight_so_far(x, half), t=x / sun.DAY_H
    )


def _sums(windows: pl.DataFrame) -> pl.DataFrame:
    """Means and centred sums of products of t, s, theta (v) and temperature (c) by window."""
    cols = {"t": pl.col("t"), "s": pl.col("s"), "v": pl.col("vwc"), "c": pl.col("soil_temp_c")}
    pairs = ["tt", "ts", "ss", "tv", "sv", "vv", "tc", "sc", "cc", "vc"]
    night = pl.col("t").abs() * sun.DAY_H > pl.col("half")
    return windows.group_by(WINDOW).agg(
        readings=pl.len(),
        n_temp=pl.col("soil_temp_c").count(),
        before=(night & (pl.col("t") < 0)).sum(),
        by_day=(~night).sum(),
        after=(night & (pl.col("t") > 0)).sum(),
        hours=pl.col("x").floor().n_unique(),
        hours_all=2 * (sun.DAY_H - pl.col("half").first()),
        **{
            pair: (
                (cols[pair[0]] - cols[pair[0]].mean()) * (cols[pair[1]] - cols[pair[1]].mean())
            ).sum()
            for pair in pairs
        },
    )


def _fitted(sums: pl.DataFrame) -> pl.DataFrame:
    """Least squares of theta and of temperature on t and s, and of one remainder on the other."""
    c = pl.col
    enough = (pl.min_horizontal("before", "by_day", "after") >= LEAST_EACH) & (
        c("tt") * c("ss") - c("ts") ** 2 > 1e-9
    )
    with_temp = enough & (c("n_temp") == c("readings"))
    det = c("tt") * c("ss") - c("ts") ** 2
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
    residual = (c("left_v") / c("free")).sqrt()
    return sums.select(
        *WINDOW,
        pl.when(enough).then("slope").alias("night_slope_pct_d"),
        pl.when(enough).then(-c("step")).alias("day_fall_pct"),
        pl.when(enough).then(residual * (c("tt") / det).sqrt()).alias("day_fall_error_pct"),
        pl.when(enough).then(residual).alias("residual_pct"),
        pl.when(with_temp).then("temp_slope").alias("temp_night_slope_c_d"),
        pl.when(with_temp).then(-c("temp_step")).alias("temp_day_fall_c"),
        pl.when(with_temp).then((c("left_c") / c("free")).sqrt()).alias("temp_swing_c"),
        pl.when(with_temp & (c("left_c") > 1e-6))
        .then(c("left_vc") / c("left_c"))
        .alias("temp_response_pct_c"),
        c("readings").cast(pl.Int64),
        coverage=(c("hours") / c("hours_all")).clip(0, 1),
    )


def _said(rows: pl.DataFrame) -> pl.DataFrame:
    """Coverage, partial and why there is no fit."""
    none = pl.col("day_fall_pct").is_null()
    return rows.with_columns(
        readings=pl.col("readings").fill_null(0),
        spikes=pl.col("spikes").cast(pl.Int64),
        coverage=pl.col("coverage").fill_null(0.0),
        partial=none | (pl.col("coverage").fill_null(0.0) < 0.9),
        reason=pl.when(none).then(
            pl.lit("too few readings in the day or in the night before or after it")
        ),
    )
