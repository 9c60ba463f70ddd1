"""Water applied by irrigation beside a strip's rain: the one rule of what a day without a row means."""

import polars as pl

STRIP_DAY = ["field", "strip", "day"]
# Depth of water below which an irrigation wets no more than the leaves, mm. Common practice, no source.
WETS_MM = 1.0


def with_irrigation(rows: pl.DataFrame, irrigation_day: pl.DataFrame) -> pl.DataFrame:
    """Add ``irrigation_mm``, ``irrigation_known`` and ``wetted_mm`` to rows of field, strip and day.

    A day that no record is about had none: 0 mm. It is null where a record says that the amount is
    not known; such a day is known all the same if its water is in the total of a later day.
    ``wetted_mm`` is for rules that ask whether it was wet: the depth, ``WETS_MM`` where the field
    book has an irrigation without a depth, and 0 where nothing says that there was one.
    """
    found = irrigation_day.select(
        *STRIP_DAY,
        "irrigation_mm",
        "irrigation_from",
        on_record=pl.lit(True),
        later="in_later_total",
    )
    on_record = pl.col("on_record").fill_null(False)
    return (
        rows.join(found, on=STRIP_DAY, how="left", maintain_order="left")
        .with_columns(
            irrigation_mm=pl.when(on_record).then("irrigation_mm").otherwise(0.0),
        )
        .with_columns(
            irrigation_known=pl.col("irrigation_mm").is_not_null()
            | pl.col("later").fill_null(False),
            wetted_mm=pl.when(pl.col("irrigation_from") == "field book")
            .then(pl.col("irrigation_mm").fill_null(WETS_MM))
            .otherwise(pl.col("irrigation_mm").fill_null(0.0)),
        )
        .drop("on_record", "later", "irrigation_from")
    )
