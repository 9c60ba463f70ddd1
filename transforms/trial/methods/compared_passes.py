"""Which passes of a season are compared by block, and what weighed passes tell of the map's scale.

If both strips were weighed and mapped, both are used. The weighed passes calibrate the map: one factor
for both strips, mean weighed over mean mapped yield, so a monitor that reads high or low cannot tilt the
difference. The blocks compared, and so their scatter, are those of the map if it has more of them.
A map that is off by more than ``MOST_OFF`` is not used beside weighed passes.
"""

import polars as pl

SEASON = ["field", "season"]
# A monitor that was never calibrated reads up to about a fifth off; common practice, no source.
MOST_OFF = 0.25


def calibrations(methods: pl.DataFrame) -> pl.DataFrame:
    """Return ``calibration`` of each season that has weighed and mapped yields of both strips.

    ``methods``: field, season, strip, method and ``yield_kg_ha`` of each strip by each method.
    """
    means = (
        methods.filter(pl.col("yield_kg_ha").is_not_null())
        .group_by(*SEASON, "method")
        .agg(pl.col("yield_kg_ha").mean(), strips=pl.col("strip").n_unique())
        .filter(pl.col("strips") == 2)
        .drop("strips")
    )
    weighed = means.filter(pl.col("method") == "scale wagon").drop("method")
    mapped = means.filter(pl.col("method") == "yield map").drop("method")
    return weighed.join(mapped, on=SEASON, suffix="_map").select(
        *SEASON, calibration=pl.col("yield_kg_ha") / pl.col("yield_kg_ha_map")
    )


def with_used(passes: pl.DataFrame, calibration: pl.DataFrame) -> pl.DataFrame:
    """Add ``used``, true for the passes to compare by block, and ``calibration`` of mapped ones.

    Those of the method that has both strips; of two such methods the one with more blocks, of equals
    the weighed passes. ``passes``: field, season, strip, method, ``block`` and ``counts``.
    """
    both = pl.col("strip").n_unique() == 2
    blocks = (
        passes.filter(pl.col("counts") & pl.col("block").is_not_null())
        .group_by(*SEASON, "method", "block")
        .agg(both=both)
        .group_by(*SEASON, "method")
        .agg(blocks=pl.col("both").sum())
    )
    off = (pl.col("calibration") - 1).abs() > MOST_OFF
    best = (
        passes.filter("counts")
        .group_by(*SEASON, "method")
        .agg(sides=pl.col("strip").n_unique())
        .join(blocks, on=[*SEASON, "method"], how="left")
        .join(calibration, on=SEASON, how="left")
        .with_columns(
            blocks=pl.when((pl.col("method") == "yield map") & off.fill_null(False))
            .then(0)
            .otherwise(pl.col("blocks").fill_null(0))
        )
        # 'scale wagon' sorts before 'yield map'
        .sort(["sides", "blocks", "method"], descending=[True, True, False])
        .unique(SEASON, keep="first", maintain_order=True)
        .select(*SEASON, "calibration", best=pl.col("method"))
    )
    mapped = pl.col("method") == "yield map"
    return passes.join(best, on=SEASON, how="left").with_columns(
        calibration=pl.when(mapped).then("calibration"),
        used=pl.col("counts")
        & (pl.col("method") == pl.col("best")).fill_null(False)
        & pl.col("block").is_not_null(),
    )
