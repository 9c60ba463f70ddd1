"""Quality checks of a soil moisture sensor, day by day.

The checks follow the open manuals of the U.S. Integrated Ocean Observing System's QARTOD (gross
range, spike, rate of change, flat line; a flag starts as 'not evaluated', the worst flag stands)
and the flags of the International Soil Moisture Network (Dorigo et al. 2013, Vadose Zone Journal,
doi:10.2136/vzj2012.0097), named beside each check. Thresholds are those sources' where they give
one; where not, common practice, no source.

| check | what it looks for | network's flag | when true |
| --- | --- | --- | --- |
| impossible | mean of the day at or below 0.5 % or above 70 % | C01, C02 | bad |
| frozen | soil at or below 0.5 degC, at this depth or one within 20 cm of it | D01 | bad |
| may be frozen | no such temperature, and air or season allow frost (``frost``) | D01, D02 | not evaluated |
| spike | a day far from those before and after that agree with each other | D06 | bad |
| step | a jump from steady to steady that stays, nothing to explain it | D07, D08 | suspect |
| stuck | unchanged for longer than the sensor's habit around it | D09, D10 | bad |
| settling | the first three weeks in the soil | none | suspect |

What may be frozen is not used: nobody knows what a sensor in it reads. Impossible: the network
takes 60 %, but swelling clay can hold more. Nothing to explain a step: the rest of the probe is
still, and there was no rain, no irrigation and no thaw.

A step that stays is what a swapped or newly calibrated sensor leaves behind: ``soil_offset`` takes its
size (``step_pct``) off all later days of the spell.
"""

from datetime import timedelta

import polars as pl

from schemas import generated
from schemas.tables.soil.soil_quality_day import TABLE
from transforms.methods import calendar_day, flat_line
from transforms.methods.irrigation import with_irrigation
from transforms.methods.strips import strip_rain
from transforms.methods.texts import joined
from transforms.soil.methods import frost
from transforms.soil.methods.soil_layers import expected_days

PART = "probe year"
# A silence, a run of one value and what is around it, the summer before a winter: all within a year.
MARGIN_MONTHS = 12

LOWEST_PCT, HIGHEST_PCT = 0.5, 70.0
FROZEN_C = 0.5  # soil temperature sensors are good to about half a degree
NEAR_CM = 20.0  # a soil temperature further off says nothing of frost here
SPIKE_PCT = 2.0  # a dip of one day; water does not leave and come back
RAIN_SPIKE_PCT = 5.0  # a rise of one day, which heavy rain on cracked clay can nearly make
STEP_PCT = 2.0
STEADY_PCT = 0.5
DRY_MM = 0.5
_MAY_BE_WET = 99.0  # stands for water that nobody measured
_ROUNDING = 1e-9  # of a mean of equal values
DRY_DAYS = 14
STEPS = 1.5  # more than one step, whatever the rounding
WET_D = (0, 1, 2)  # days on which, and after which, water moves by rain
SETTLING = timedelta(days=21)
LITTLE = 0.5  # coverage below which a day is suspect

SENSOR = ["probe", "depth_cm"]


def derive(  # noqa: PLR0917 - the tables that it is made from
    soil_day: pl.DataFrame,
    probe_spell: pl.DataFrame,
    sensor: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    irrigation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row a sensor and day of its probe's record. Water contents in %, temperatures in degC."""
    expected = expected_days(soil_day, probe_spell, sensor)
    rows = (
        expected.join(soil_day.drop("field", "strip"), on=[*SENSOR, "day"], how="left")
        .join(strip_rain(weather_used_day, expected), on=["field", "strip", "day"], how="left")
        .pipe(with_irrigation, irrigation_day)
        .sort(*SENSOR, "day")
        .with_columns(spell_no=pl.struct(*SENSOR, "spell_from").rle_id())
    )
    rows = _frozen(frost.may_freeze(rows, weather_used_day, farm).sort(*SENSOR, "day"))
    rows = _spike(rows.with_columns(impossible=~_vwc().is_between(LOWEST_PCT, HIGHEST_PCT)))
    rows = _stuck(_step(rows))
    rows = rows.with_columns(settling=pl.col("day") < pl.col("spell_from") + SETTLING)
    return generated.conform(_with_quality(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _vwc() -> pl.Expr:
    return pl.col("vwc_mean_pct")


def _frozen(rows: pl.DataFrame) -> pl.DataFrame:
    """Frozen by the lowest soil temperature at the depth, else at a near depth above or below.

    Without one nobody knows: ``may_be_frozen`` is then what air temperature or season allow.
    """
    by_day = ["probe", "day"]
    temp = pl.col("soil_temp_min_c")
    depth = pl.when(temp.is_not_null()).then("depth_cm")
    beside = [
        pl.when((pl.col("depth_cm") - found_at).abs() <= NEAR_CM).then(found)
        for found, found_at in (
            (_over(temp.forward_fill(), by_day), _over(depth.forward_fill(), by_day)),
            (_over(temp.backward_fill(), by_day), _over(depth.backward_fill(), by_day)),
        )
    ]
    return rows.with_columns(nearest_temp=pl.coalesce(temp, *beside)).with_columns(
        frozen=pl.col("nearest_temp") <= FROZEN_C,
        may_be_frozen=pl.when(pl.col("nearest_temp").is_null()).then("may_freeze"),
    )


def _over(expr: pl.Expr, by: list[str]) -> pl.Expr:
    return expr.over(by, order_by="depth_cm")


def _spike(rows: pl.DataFrame) -> pl.DataFrame:
    """QARTOD's spike test on days: away from the middle of the two neighbors, who agree.

    A rise of a day with rain or irrigation on it or just before is no spike: a shallow layer of sand or of
    cracked clay fills and empties as fast.
    """
    good = pl.when(~pl.col("impossible")).then(_vwc())
    before, after = _at(good, 1), _at(good, -1)
    away = _vwc() - (before + after) / 2
    water = pl.col("rain_mm").fill_null(0.0) + pl.col("irrigation_mm").fill_null(_MAY_BE_WET)
    rained = pl.max_horizontal(water, _at(water, 1)) >= DRY_MM
    limit = pl.when(away < 0).then(SPIKE_PCT).when(rained).then(100.0).otherwise(RAIN_SPIKE_PCT)
    return rows.with_columns(spike=(away.abs() > limit) & ((before - after).abs() < away.abs() / 2))


def _at(expr: pl.Expr, days: int) -> pl.Expr:
    """The value so many days before (after, where negative) at the same sensor and spell."""
    return pl.when(pl.col("spell_no") == pl.col("spell_no").shift(days)).then(expr.shift(days))


def _step(rows: pl.DataFrame) -> pl.DataFrame:
    """Jumps that stay, from steady to steady, with no water to explain them, no frost, and the
    rest of the probe still. A front of water that comes down days after the rain moves one sensor
    at a time too, so a rise needs two weeks without rain or thaw before it."""
    kept = pl.when(~pl.col("impossible") & ~pl.col("spike").fill_null(False)).then(_vwc())

    beside = {days: _at(kept, days) if days else kept for days in range(-3, 5)}
    rows = rows.with_columns(
        jump=_middle(*(beside[i] for i in (0, -1, -2))) - _middle(*(beside[i] for i in (1, 2, 3))),
        move=kept - beside[1],
        unsteady=pl.max_horizontal((beside[1] - beside[4]).abs(), (beside[-3] - kept).abs()),
    )
    move = pl.col("move").abs()
    alone = ((move > STEADY_PCT).sum() == 1).over("probe", "day") & (move >= STEP_PCT)
    water = pl.max_horizontal(
        (pl.col("rain_mm") + pl.col("irrigation_mm")).fill_null(_MAY_BE_WET),
        pl.when(pl.col("air_temp_mean_c") < 2).then(_MAY_BE_WET),
    )

    rows = rows.with_columns(wet=(water >= DRY_MM).cast(pl.Int32).cum_sum().over("spell_no"))
    wet = pl.col("wet")

    def dry(first: int, last: int) -> pl.Expr:
        """Whether the days so many before, from ``first`` to below ``last``, are there and dry."""
        there = _at(wet, last - 1).is_not_null()
        return (there & (_at(wet, first) == _at(wet, last).fill_null(0))).fill_null(False)

    icy = pl.any_horizontal(
        _at(pl.col(name), i).fill_null(False)
        for name in ("frozen", "may_be_frozen")
        for i in range(-2, 3)
    )
    step = (
        (pl.col("jump").abs() >= STEP_PCT)
        & alone
        & (pl.col("unsteady") < STEADY_PCT)
        & dry(-1, 3)
        & ((pl.col("jump") < 0) | dry(3, DRY_DAYS))
        & ~icy
    )
    known = pl.col("jump").is_not_null() & pl.col("move").is_not_null()
    return rows.with_columns(step=pl.when(known).then(step.fill_null(False))).with_columns(
        step_pct=pl.when("step").then("jump")
    )


def _middle(a: pl.Expr, b: pl.Expr, c: pl.Expr) -> pl.Expr:
    """Median of up to three numbers, null where there is none."""
    number = pl.sum_horizontal(x.is_not_null().cast(pl.Int32) for x in (a, b, c))
    low, high = pl.min_horizontal(a, b, c), pl.max_horizontal(a, b, c)
    middle = pl.max_horizontal(
        pl.min_horizontal(a, b), pl.min_horizontal(pl.max_horizontal(a, b), c)
    )
    return pl.when(number == 3).then(middle).otherwise((low + high) / 2)


def _stuck(rows: pl.DataFrame) -> pl.DataFrame:
    """QARTOD's flat line test by the sensor's own habit around each run (``flat_line``).

    A frozen sensor rests. One whose soil temperature still moves is connected, and needs twice as
    many days. A sensor is alive on a day on which it moved both ways (or the other way than on the
    day before) by at least two steps of its resolution: soil that only dries does not do so, nor
    does a value at the border between two steps. In one reading a day no noise shows: there the
    sensor is alive if the value is another than the day before. Rain or irrigation and what drains after it move
    every sensor, so wet days say nothing of it.
    """
    rows = _with_moves(rows)
    before = {name: _at(pl.col(name), 1) for name in ("up", "down", "low", "high")}
    highest = pl.max_horizontal("high", before["high"])
    lowest = pl.min_horizontal("low", before["low"])
    moved = pl.col("up") | pl.col("down")
    both = (pl.col("up") | before["up"].fill_null(False)) & (
        pl.col("down") | before["down"].fill_null(False)
    )
    water = pl.max_horizontal("rain_mm", "wetted_mm")
    wet = pl.max_horizontal(*(_at(water, i) if i else water for i in WET_D))
    span = pl.col("vwc_max_pct") - pl.col("vwc_min_pct")
    still = ((_vwc() - _at(_vwc(), 1)).abs() < _ROUNDING) & (span == 0)
    temp = pl.col("soil_temp_mean_c").cast(pl.Float64)
    warmth = (pl.col("soil_temp_max_c") - pl.col("soil_temp_min_c") > 0) | (
        (temp - _at(temp, 1)).abs() > _ROUNDING
    )
    stuck = flat_line.stuck(
        rows,
        ["spell_no"],
        same=still & ~pl.col("frozen").fill_null(False),
        alive=pl.when(pl.col("readings") <= 1)
        .then(moved)
        .otherwise(moved & both & (highest - lowest >= STEPS * pl.col("resolution"))),
        counts=(wet < DRY_MM).fill_null(True) & _vwc().is_not_null(),
        moves=warmth,
    )
    return rows.with_columns(stuck).with_columns(stuck=pl.when(_vwc().is_not_null()).then("stuck"))


def _with_moves(rows: pl.DataFrame) -> pl.DataFrame:
    """Add whether the water rose or fell since the end of the day before, how far, in which steps.

    ``resolution`` is the least move of the months around: a logger may write other decimals later.
    """
    began, last = _at(pl.col("vwc_last_pct"), 1), pl.col("vwc_last_pct")
    high, low = pl.col("vwc_max_pct"), pl.col("vwc_min_pct")
    rows = rows.with_columns(
        up=((high - began > _ROUNDING) | (last - low > _ROUNDING)).fill_null(False),
        down=((began - low > _ROUNDING) | (high - last > _ROUNDING)).fill_null(False),
        high=pl.max_horizontal(high, began),
        low=pl.min_horizontal(low, began),
    )
    moves = [pl.when(move > _ROUNDING).then(move) for move in (high - low, (last - began).abs())]
    least = pl.min_horizontal(*moves)
    around = least.rolling_min(2 * flat_line.AROUND, min_samples=1, center=True)
    return rows.with_columns(resolution=around.over("spell_no"))


def _with_quality(rows: pl.DataFrame) -> pl.DataFrame:
    """Worst check stands; what was never evaluated never counts as good."""

    def yes(name: str) -> pl.Expr:
        return pl.col(name).fill_null(False)

    little = pl.col("vwc_coverage").fill_null(0.0) < LITTLE
    part = pl.col("vwc_coverage").fill_null(0.0) < calendar_day.WHOLE
    bad = yes("impossible") | yes("frozen") | yes("spike") | yes("stuck")
    may_be_frozen = yes("may_be_frozen") & ~bad
    suspect = yes("step") | yes("settling") | little
    evaluated = pl.any_horizontal(
        *(pl.col(name).is_not_null() for name in ("frozen", "spike", "step")),
        pl.col("frost_by") == "air temperature",
    )
    missing = _vwc().is_null()
    texts = {
        "impossible": "the sensor reads what no soil holds",
        "frozen": "the soil is frozen",
        "spike": "a single value far from its neighbors",
        "stuck": "the sensor is stuck on one value",
        "step": "a jump that nothing explains; later days are shifted by it",
        "settling": "first weeks after the probe was set",
    }
    reasons = joined(
        *(pl.when(yes(name)).then(pl.lit(text)) for name, text in texts.items()),
        pl.when(may_be_frozen).then(
            pl.format("the soil may be frozen, by {}: no soil temperature is near", "frost_by")
        ),
        pl.when(little & ~missing)
        .then(pl.lit("less than half of the day was recorded"))
        .when(part & ~missing)
        .then(pl.lit("part of the day was recorded")),
    )
    return rows.with_columns(
        quality=pl.when(missing)
        .then(pl.lit("missing"))
        .when(bad)
        .then(pl.lit("bad"))
        .when(suspect & ~may_be_frozen)
        .then(pl.lit("suspect"))
        .when(evaluated & ~may_be_frozen)
        .then(pl.lit("good"))
        .otherwise(pl.lit("not evaluated")),
        usable=~missing & ~bad & ~may_be_frozen,
        coverage=pl.col("vwc_coverage").fill_null(0.0),
        partial=missing | bad | may_be_frozen | part,
        reason=pl.when(missing)
        .then(pl.lit("no water content from this sensor that day"))
        .otherwise(reasons),
    )
