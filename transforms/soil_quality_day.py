"""Quality checks of a soil moisture sensor, day by day.

The checks follow the open manuals of the U.S. Integrated Ocean Observing System's QARTOD (gross
range, spike, rate of change, flat line; a flag starts as 'not evaluated', the worst flag stands)
and the flags of the International Soil Moisture Network (Dorigo et al. 2013, Vadose Zone Journal,
doi:10.2136/vzj2012.0097), named beside each check. Thresholds are those sources' where they give
one; where not, common practice, no source.

| check | what it looks for | network's flag | when true |
| --- | --- | --- | --- |
| impossible | mean of the day at or below 0.5 % or above 70 % (the network takes 60 %; swelling clay can hold more) | C01, C02 | bad |
| frozen | soil at or below 0.5 degC, at this depth or the nearest that has a temperature | D01 | bad |
| spike | a day far from those before and after that agree with each other | D06 | bad |
| step | a jump between days with neighbours steady, no rain, not frozen; it stays | D07, D08 | suspect |
| stuck | unchanged for days, in a sensor that else flickers | D09, D10 | bad |
| settling | the first three weeks in the soil | none | suspect |

A step that stays is what a swapped or newly calibrated sensor leaves behind: its size is taken
off all later days of the spell by ``offset_pct``, so that storages before and after compare.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from schemas import made
from schemas.catalogue import TABLES
from transforms.soil_layers import expected_days
from transforms.strip_rain import strip_rain

TABLE = TABLES["soil_quality_day"]

LOWEST_PCT, HIGHEST_PCT = 0.5, 70.0
FROZEN_C = 0.5  # soil temperature sensors are good to about half a degree
SPIKE_PCT = 2.0  # a dip of one day; water does not leave and come back
RAIN_SPIKE_PCT = 5.0  # a rise of one day, which heavy rain on cracked clay can nearly make
STEP_PCT = 2.0
STEADY_PCT = 0.5
DRY_MM = 0.5
STUCK_DAYS, STUCK_DAYS_QUIET = 5, 45
SETTLING = timedelta(days=21)
LITTLE = 0.5  # coverage below which a day is suspect

SENSOR = ["probe", "depth_cm"]


def derive(
    soil_day: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    weather_day: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor and day of its probe's record. Water contents in %, temperatures in degC."""
    rows = (
        expected_days(soil_day, probe_spell, sensor)
        .join(soil_day.drop("field", "strip"), on=[*SENSOR, "day"], how="left")
        .join(strip_rain(weather_day), on=["field", "strip", "day"], how="left")
        .sort(*SENSOR, "day")
    )
    rows = _frozen(rows)
    rows = _spike(rows.with_columns(impossible=~_vwc().is_between(LOWEST_PCT, HIGHEST_PCT)))
    rows = _stuck(_step(rows))
    rows = rows.with_columns(settling=pl.col("day") < pl.col("spell_from") + SETTLING)
    return made.conform(_rolled_up(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _vwc() -> pl.Expr:
    return pl.col("vwc_mean_pct")


def _frozen(rows: pl.DataFrame) -> pl.DataFrame:
    """Frozen by the lowest soil temperature at the depth, else at the nearest depth above or below,
    else by ten days of air at or below freezing for the upper half metre."""
    by_day = ["probe", "day"]
    temp = pl.col("soil_temp_min_c")
    nearest = pl.coalesce(
        temp,
        temp.forward_fill().over(by_day, order_by="depth_cm"),
        temp.backward_fill().over(by_day, order_by="depth_cm"),
    )
    air = (
        pl.col("air_temp_mean_c")
        .rolling_mean_by("day", window_size="10d", min_samples=5)
        .over(SENSOR, order_by="day")
    )
    return rows.with_columns(nearest_temp=nearest, air_ten_days=air).with_columns(
        frozen=pl.coalesce(
            pl.col("nearest_temp") <= FROZEN_C,
            pl.when(pl.col("depth_cm") <= 50).then(pl.col("air_ten_days") <= 0),
        )
    )


def _spike(rows: pl.DataFrame) -> pl.DataFrame:
    """QARTOD's spike test on days: away from the middle of the two neighbours, who agree."""
    good = pl.when(~pl.col("impossible")).then(_vwc())
    before = good.shift(1).over(SENSOR, order_by="day")
    after = good.shift(-1).over(SENSOR, order_by="day")
    away = _vwc() - (before + after) / 2
    limit = pl.when(away > 0).then(RAIN_SPIKE_PCT).otherwise(-SPIKE_PCT)
    return rows.with_columns(
        spike=(away.abs() > limit.abs()) & ((before - after).abs() < away.abs() / 2)
    )


def _step(rows: pl.DataFrame) -> pl.DataFrame:
    """Jumps that stay, with no rain, no frost and the rest of the probe steady."""
    kept = pl.when(~pl.col("impossible") & ~pl.col("spike").fill_null(False)).then(_vwc())
    spell = [*SENSOR, "spell_from"]

    def near(shift: int) -> pl.Expr:
        """Median of three days: those before where shift is 3, from this day on where it is 0."""
        days = [kept.shift(shift - i) for i in range(3)]
        return pl.concat_list(days).list.drop_nulls().list.median().over(spell, order_by="day")

    rows = rows.with_columns(jump=near(0) - near(3), move=kept.diff().over(spell, order_by="day"))
    loudest = pl.col("move").abs().max().over("probe", "day")
    moved = (pl.col("move").abs() > STEADY_PCT).sum().over("probe", "day")
    dry = pl.all_horizontal(
        pl.col("rain_mm").shift(i).over(SENSOR, order_by="day").fill_null(99.0) < DRY_MM
        for i in (-1, 0, 1, 2)
    )
    frost = pl.any_horizontal(
        pl.col("frozen").fill_null(False).shift(i).over(SENSOR, order_by="day")
        for i in range(-2, 3)
    )
    alone = (moved == 1) & (pl.col("move").abs() == loudest)
    step = (
        (pl.col("jump").abs() >= STEP_PCT)
        & (pl.col("move").abs() >= STEP_PCT)
        & alone
        & dry
        & ~frost
    )
    rows = rows.with_columns(
        step=pl.when(pl.col("jump").is_not_null() & pl.col("move").is_not_null()).then(
            step.fill_null(False)
        )
    )
    size = pl.when(pl.col("step").fill_null(False)).then(pl.col("jump")).otherwise(0.0)
    return rows.with_columns(offset_pct=0.0 - size.cum_sum().over(spell, order_by="day"))


def _stuck(rows: pl.DataFrame) -> pl.DataFrame:
    """QARTOD's flat line test, made strict only for a sensor whose record else flickers."""
    same = (
        (_vwc() == _vwc().shift(1)) & (pl.col("vwc_max_pct") == pl.col("vwc_min_pct"))
    ).fill_null(False)
    rows = rows.with_columns(_same=same.over(SENSOR, order_by="day"))
    rows = rows.with_columns(_run=pl.col("_same").rle_id().over(SENSOR, order_by="day"))
    rows = rows.with_columns(_length=pl.len().over(*SENSOR, "_run"))
    long = pl.col("_same") & (pl.col("_length") >= STUCK_DAYS - 1)
    quiet = (pl.col("_same") & ~long).sum().over(SENSOR) > 0.3 * (~long).sum().over(SENSOR)
    limit = pl.when(quiet).then(STUCK_DAYS_QUIET).otherwise(STUCK_DAYS) - 1
    return rows.with_columns(
        stuck=pl.when(_vwc().is_not_null()).then(pl.col("_same") & (pl.col("_length") >= limit))
    )


def _rolled_up(rows: pl.DataFrame) -> pl.DataFrame:
    """Worst check stands; what was never evaluated never counts as good."""

    def yes(name: str) -> pl.Expr:
        return pl.col(name).fill_null(False)

    little = pl.col("vwc_coverage").fill_null(0.0) < LITTLE
    bad = yes("impossible") | yes("frozen") | yes("spike") | yes("stuck")
    suspect = yes("step") | yes("settling") | little
    evaluated = pl.any_horizontal(
        pl.col(name).is_not_null() for name in ("frozen", "spike", "step")
    )
    missing = _vwc().is_null()
    words = {
        "impossible": "the sensor reads what no soil holds",
        "frozen": "the soil is frozen",
        "spike": "a single value far from its neighbours",
        "stuck": "the sensor is stuck on one value",
        "step": "a jump that nothing explains; later days are shifted by it",
        "settling": "first weeks after the probe was set",
    }
    said = pl.concat_str(
        [pl.when(yes(name)).then(pl.lit(text)) for name, text in words.items()]
        + [pl.when(little & ~missing).then(pl.lit("less than half of the day was recorded"))],
        separator="; ",
        ignore_nulls=True,
    )
    return rows.with_columns(
        quality=pl.when(missing)
        .then(pl.lit("missing"))
        .when(bad)
        .then(pl.lit("bad"))
        .when(suspect)
        .then(pl.lit("suspect"))
        .when(evaluated)
        .then(pl.lit("good"))
        .otherwise(pl.lit("not evaluated")),
        usable=~missing & ~bad,
        coverage=pl.col("vwc_coverage").fill_null(0.0),
        partial=missing | bad | little,
        reason=pl.when(missing)
        .then(pl.lit("no water content from this sensor that day"))
        .when(said != "")
        .then(said),
    )
