"""The daily pulse of a soil sensor: how it moved by night, and what fell by day beyond that."""

from schemas.shared_columns import DEPTH, PROBE, PROBE_STOOD_IN, completeness
from schemas.table import Table, Tier, count, day, number

TABLE = Table(
    "soil_pulse_day",
    Tier.DAILY,
    "one sensor of a probe over one day and the nights before and after it",
    (
        PROBE,
        DEPTH,
        day("day", "climatological day in which the sun stood highest", key=True),
        *PROBE_STOOD_IN,
        number(
            "night_slope_pct_d",
            "percent/day",
            "change of water content by night, of both nights together: redistribution and drainage",
            -2400,
            2400,
        ),
        number(
            "day_fall_pct",
            "percent",
            "fall of water content by day beyond the course of the nights",
            -100,
            100,
        ),
        number("day_fall_error_pct", "percent", "standard error of the day's fall", 0, 100),
        number(
            "residual_pct", "percent", "scatter of the readings about the fitted course", 0, 100
        ),
        number(
            "temp_night_slope_c_d",
            "delta_degC/day",
            "the night slope that the same fit gives of soil temperature",
            -2400,
            2400,
        ),
        number(
            "temp_day_fall_c",
            "delta_degC",
            "the day's fall that the same fit gives of soil temperature",
            -100,
            100,
        ),
        number(
            "temp_swing_c",
            "delta_degC",
            "scatter of soil temperature about its fitted course: what a temperature error could follow",
            0,
            100,
        ),
        number(
            "temp_response_pct_c",
            "percent/delta_degC",
            "water content that goes with a degree of that scatter",
            -100,
            100,
        ),
        count("readings", "readings that the fit was made from"),
        count("spikes", "single readings far from those around them, left out"),
        *completeness("share of the day's hours and its two nights' hours with readings"),
    ),
)
