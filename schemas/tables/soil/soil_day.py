"""Readings of one sensor reduced to a day."""

from schemas.shared_columns import DAY, DEPTH, PARTIAL, PROBE, PROBE_STOOD_IN
from schemas.table import Table, Tier, count, coverage, number

TABLE = Table(
    "soil_day",
    Tier.DAILY,
    "one sensor of a probe on one day",
    (
        PROBE,
        DEPTH,
        DAY,
        *PROBE_STOOD_IN,
        number("vwc_mean_pct", "percent", "mean volumetric water content", 0, 100),
        number("vwc_min_pct", "percent", "lowest volumetric water content", 0, 100),
        number("vwc_max_pct", "percent", "highest volumetric water content", 0, 100),
        number("vwc_last_pct", "percent", "last volumetric water content of the day", 0, 100),
        coverage("share of the day with water content", "vwc_coverage"),
        number("soil_temp_mean_c", "degC", "mean soil temperature", -50, 80),
        number("soil_temp_min_c", "degC", "lowest soil temperature", -50, 80),
        number("soil_temp_max_c", "degC", "highest soil temperature", -50, 80),
        coverage("share of the day with soil temperature", "soil_temp_coverage"),
        number("salinity_mean_ds_m", "dS/m", "mean bulk electrical conductivity", 0, 100),
        number("battery_min_v", "V", "lowest supply voltage of the probe's logger", 0, 30),
        count("readings", "readings of the day"),
        PARTIAL,
    ),
)
