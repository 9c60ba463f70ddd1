"""What a strip's layers held at stated instants, for balances over rain and over seasons.

A probe that reports through the day is read at the close of the day (its last reading): a balance
from one close to another then holds exactly the rain of the days between. A probe that gives a
daily mean is taken to speak of the middle of the day. Every value has its instant beside it, so
that nobody has to know which it was.
"""

import polars as pl

from transforms.methods import calendar_day

LAYER = ["field", "strip", "depth_cm"]
# From so many readings a day, over nearly the whole day, the last one is the close of the day.
# Common practice, no source.
LEAST_READINGS = 4
LEAST_COVERAGE = 0.9


def layers(
    soil_water_day: pl.DataFrame, soil_day: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Storage by field, strip, depth and day at its instant.

    Returned, sorted by layer and instant: ``field``, ``strip``, ``depth_cm``, ``day``, ``at``
    (UTC), ``storage_mm`` (null where the layer has none), ``upper_limit_mm`` (storage at the drained
    upper limit), ``drained`` (whether that point was given or seen in free drainage, and is not only
    the highest value seen), ``layer_top_cm``, ``layer_bottom_cm``. Where two probes of a strip have a
    sensor at one depth, their mean.
    """
    thickness_mm = (pl.col("layer_bottom_cm") - pl.col("layer_top_cm")) * 10.0
    closes = (
        (pl.col("readings") >= LEAST_READINGS)
        & (pl.col("vwc_coverage") >= LEAST_COVERAGE)
        & pl.col("vwc_last_pct").is_not_null()
    ).fill_null(False)
    to_close_mm = (pl.col("vwc_last_pct") - pl.col("vwc_mean_pct")) / 100.0 * thickness_mm
    start = calendar_day.starts_at(pl.col("day"), farm)
    probe = ["probe", "depth_cm", "day"]
    return (
        soil_water_day.filter(pl.col("field").is_not_null() & pl.col("strip").is_not_null())
        .join(
            soil_day.select(*probe, "vwc_mean_pct", "vwc_last_pct", "vwc_coverage", "readings"),
            on=probe,
            how="left",
        )
        .with_columns(
            at=start + pl.when(closes).then(pl.duration(hours=24)).otherwise(pl.duration(hours=12)),
            storage_mm=pl.col("storage_mm") + pl.when(closes).then(to_close_mm).otherwise(0.0),
            upper_limit_mm=pl.col("drained_upper_limit_pct") / 100.0 * thickness_mm,
            drained=pl.col("drained_upper_limit_from") != "highest seen",
        )
        .group_by(*LAYER, "day")
        .agg(
            pl.col("at").max(),
            pl.col("drained").all(),
            pl.col("storage_mm", "upper_limit_mm", "layer_top_cm", "layer_bottom_cm").mean(),
        )
        .sort(*LAYER, "at")
    )
