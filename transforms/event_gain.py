"""What each layer of a strip gained over an event of rain."""

from __future__ import annotations

import polars as pl

from transforms.strip_storage import LAYER

AFTER_D = (1, 2)
_EVENT = ["field", "strip", "began"]
# How far the value before may lie back, and the value after may lie from a day (or two) after the
# end: with one value a day, the nearest there is.
_BEFORE, _AFTER = "36h", "12h"


def gains(events: pl.DataFrame, storage: pl.DataFrame) -> pl.DataFrame:
    """One row an event, strip and depth: storage before, and its rise after one and two days.

    ``events`` has ``field``, ``strip``, ``began``, ``ended``; ``storage`` is that of
    ``strip_storage.layers``. Returned: those keys, ``depth_cm``, ``layer_top_cm``,
    ``layer_bottom_cm``, ``storage_before_mm``, ``before_at``, and for n in 1, 2 ``gain_nd_mm``
    and ``after_nd_at``; null where a value is not there. The layers are those that the strip's
    probe has on the day before, of the event or after, working or not.
    """
    known = storage.filter(pl.col("storage_mm").is_not_null()).sort("at")
    layer = storage.select(*LAYER, "at", "layer_top_cm", "layer_bottom_cm").sort("at")
    rows = (
        events.select(*_EVENT, "ended")
        .join(storage.select(LAYER).unique(), on=["field", "strip"])
        .with_columns(wanted=pl.col("ended") + pl.duration(hours=12))
        .sort("wanted")
        .join_asof(
            layer,
            left_on="wanted",
            right_on="at",
            by=LAYER,
            tolerance="60h",
            check_sortedness=False,
        )
        .filter(pl.col("layer_top_cm").is_not_null())
        .sort("began")
        .join_asof(
            known.select(*LAYER, before_at="at", storage_before_mm="storage_mm"),
            left_on="began",
            right_on="before_at",
            by=LAYER,
            tolerance=_BEFORE,
            coalesce=False,
            check_sortedness=False,
        )
    )
    for n in AFTER_D:
        after_at, after_mm = f"after_{n}d_at", f"after_{n}d_mm"
        # A second less, so that of two values equally near the earlier is taken.
        rows = (
            rows.with_columns(wanted=pl.col("ended") + pl.duration(days=n, seconds=-1))
            .sort("wanted")
            .join_asof(
                known.select(
                    *LAYER, pl.col("at").alias(after_at), pl.col("storage_mm").alias(after_mm)
                ),
                left_on="wanted",
                right_on=after_at,
                by=LAYER,
                strategy="nearest",
                tolerance=_AFTER,
                coalesce=False,
                check_sortedness=False,
            )
            .with_columns((pl.col(after_mm) - pl.col("storage_before_mm")).alias(f"gain_{n}d_mm"))
        )
    return rows.drop("wanted", "ended", "after_1d_mm", "after_2d_mm").sort(*_EVENT, "depth_cm")
