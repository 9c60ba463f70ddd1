"""What each layer of a strip gained over an event of rain.

A sensor sees some centimetres around it, and what wets only the soil above stays unseen. The
topmost layer has gained at least what its evaporation layer has: the fall of that layer's
depletion from before the rain to the value after (``evaporation_day``, FAO Irrigation and Drainage
Paper 56 Eq 77), evaporation since then taken off. Where the sensor shows less, that stands
instead, and what was added is given as ``unseen``. It is alike in both strips, so it says nothing
of their difference.
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.soil.methods.strip_storage import LAYER

AFTER_D = (1, 2)
_EVENT = ["field", "strip", "began"]
# How far the value before may lie back, and the value after may lie from a day (or two) after the
# end: with one value a day, the nearest there is.
_BEFORE, _AFTER = "36h", "12h"


def surface(evaporation_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """What a field's evaporation layer lacked at the close of each day: field, at, lacks_mm."""
    close = calendar_day.starts_at(pl.col("day"), farm) + pl.duration(hours=24)
    # A station that has neither rain nor demand all month (a water meter) says nothing of the soil.
    month = pl.col("day").dt.truncate("1mo")
    gauged = (pl.col("coverage") > 0).any().over("station", month) | pl.col("coverage").is_null()
    return (
        evaporation_day.filter(pl.col("field").is_not_null() & gauged)
        .group_by("field", "day")
        .agg(lacks_mm=pl.col("surface_depletion_mm").mean())
        .drop_nulls()
        .select("field", at=close, lacks_mm="lacks_mm")
        .sort("at")
    )


def gains(events: pl.DataFrame, storage: pl.DataFrame, lacks: pl.DataFrame) -> pl.DataFrame:
    """One row an event, strip and depth: storage before, and its rise after one and two days.

    ``events`` has ``field``, ``strip``, ``began``, ``ended``; ``storage`` is that of
    ``strip_storage.layers``, ``lacks`` that of ``surface``. Returned: those keys, ``depth_cm``,
    ``layer_top_cm``, ``layer_bottom_cm``, ``storage_before_mm``, ``before_at``, and for n in 1, 2
    ``gain_nd_mm``, ``unseen_nd_mm`` (of that gain) and ``after_nd_at``; null where a value is not
    there. The layers are those that the strip's probe has on the day before, of the event or
    after, working or not.
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
    rows = rows.join_asof(
        lacks.select("field", "at", lacked_mm="lacks_mm"),
        left_on="began",
        right_on="at",
        by="field",
        tolerance=_BEFORE,
        coalesce=False,
        check_sortedness=False,
    ).drop("at")
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
            .join_asof(
                lacks,
                left_on="wanted",
                right_on="at",
                by="field",
                strategy="nearest",
                tolerance=_AFTER,
                coalesce=False,
                check_sortedness=False,
            )
            .drop("at")
            .with_columns(_seen_and_unseen(after_mm, n))
            .drop("lacks_mm")
        )
    return rows.drop("wanted", "ended", "lacked_mm", "after_1d_mm", "after_2d_mm").sort(
        *_EVENT, "depth_cm"
    )


def _seen_and_unseen(after_mm: str, n: int) -> list[pl.Expr]:
    """The layer's gain, and what of it lies above the sensor's sight."""
    seen = pl.col(after_mm) - pl.col("storage_before_mm")
    held = pl.when(pl.col("layer_top_cm") == 0).then(pl.col("lacked_mm") - pl.col("lacks_mm"))
    unseen = (held - seen).clip(lower_bound=0.0).fill_null(0.0)
    return [
        (seen + unseen).alias(f"gain_{n}d_mm"),
        pl.when(seen.is_not_null()).then(unseen).alias(f"unseen_{n}d_mm"),
    ]
