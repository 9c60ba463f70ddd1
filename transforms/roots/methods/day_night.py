"""Uptake from the daily pulse of a sensor, its temperature error taken out.

A dielectric sensor answers to temperature by a nearly constant amount a degree. That amount is
learned by sensor, place and crop year (from harvest to harvest) from the days on which no crop stands and
the soil is not frozen: then what the sensor does in step with its own temperature is not uptake. Where
there are too few such days it is learned from what is left of every day after its night slope and its step
are taken out, which is also free of uptake if uptake follows the sun. The fits of ``soil_pulse_day`` are
linear, so that the uptake of a day is U - k U_T, with U the day's fall of water content, U_T that of
temperature by the same fit, and k the response in percent a degree.

A day is refused where its course is rougher than the sensor's usual (``ROUGH``), unless the fall's
error is small beside the fall (``SMALL_PART``): misfit of the shape grows with the pulse, and the
biggest uptakes would be refused.

Near the surface the day's swing is so large, and evaporation so much in step with it, that neither
can be separated from uptake: there the pulse is not used (``clear`` is false).
"""

import polars as pl

# A probe that was set elsewhere sits in other soil: it is learned anew, and so it is in each crop year.
PLACE = ["probe", "depth_cm", "field", "strip", "since"]

LEAST_COVERAGE = 0.7
ROUGH = 3.0  # times the sensor's usual scatter: the day's course is not that of uptake
SMALL_PART = 0.1  # unless the error is no more than this part of the day's fall
SWING_C = 5.0  # usual fall of soil temperature by the fit above which a pulse is not used
SHALLOW_CM = 15.0  # the same where soil temperature is not known
LEAST_BARE_DAYS = 20
STRONGEST_PCT_C = 0.5


def uptake(pulses: pl.DataFrame) -> pl.DataFrame:
    """Adds ``pulse_pct`` (uptake, % by volume), ``pulse_error_pct`` and ``clear`` to pulse rows.

    ``pulses`` has the columns of ``soil_pulse_day`` and ``growing`` (true while a crop stands),
    ``usable`` (sensor quality that day) and ``since`` (the last harvest before the day). ``clear`` is
    false where the course of the day is not one that uptake can be read from.
    """
    c = pl.col
    fitted = c("day_fall_pct").is_not_null() & c("usable") & (c("coverage") >= LEAST_COVERAGE)
    usual = c("residual_pct").filter(fitted).median().over(PLACE)
    swing = c("temp_day_fall_c").filter(fitted).abs().median().over(PLACE)
    calm = (
        pl.when(swing.is_not_null()).then(swing <= SWING_C).otherwise(c("depth_cm") >= SHALLOW_CM)
    )
    even = fitted & calm & (c("residual_pct") <= ROUGH * usual)
    small = c("day_fall_error_pct") <= SMALL_PART * c("day_fall_pct")
    rows = pulses.with_columns(
        even=even.fill_null(False), clear=(even | (fitted & calm & small)).fill_null(False)
    )
    response = _response()
    fall_t = c("temp_day_fall_c").fill_null(0.0)
    return rows.with_columns(
        pulse_pct=pl.when("clear").then(c("day_fall_pct") - response * fall_t),
        pulse_error_pct=pl.when("clear").then("day_fall_error_pct"),
    )


def _response() -> pl.Expr:
    """The sensor's answer to temperature in % a degree, one value a sensor, place and crop year.

    Sums of products with temperature, once night slope alone is taken out (bare days) and once
    the step too (all days), are put together from what each fit has kept.
    """
    c = pl.col
    known = c("even") & c("temp_response_pct_c").is_not_null() & (c("day_fall_error_pct") > 0)
    weight = c("temp_swing_c") ** 2
    left = weight * c("temp_response_pct_c")
    lever = (c("residual_pct") / c("day_fall_error_pct")) ** 2 / c("readings")
    both = c("day_fall_pct") * c("temp_day_fall_c") * lever + left
    square = c("temp_day_fall_c") ** 2 * lever + weight
    bare = known & ~c("growing")
    from_bare = both.filter(bare).sum() / square.filter(bare).sum()
    from_all = left.filter(known).sum() / weight.filter(known).sum()
    response = pl.when(bare.sum() >= LEAST_BARE_DAYS).then(from_bare).otherwise(from_all)
    return (
        response.fill_nan(None).fill_null(0.0).clip(-STRONGEST_PCT_C, STRONGEST_PCT_C).over(PLACE)
    )
