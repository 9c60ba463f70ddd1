"""The share of a rain event that each layer of a strip held afterwards.

Events, rain, winter and the reasons why there is no capture are those of ``rain_event``; the gain
of a layer is made as there (``event_gain``), so that the layers add up to the profile. A deep
layer's gain may come from the layers above it and not from the rain itself.
"""

import polars as pl

from schemas import generated
from schemas.tables.soil.rain_event_layer import TABLE
from transforms.soil.methods import event_gain, strip_storage

# As ``rain_event``, with as much of the soil about its events.
PART = "field year"
MARGIN_MONTHS = 3
_KEY = ["field", "strip", "began"]


def derive(
    rain_event: pl.DataFrame,
    soil_water_day: pl.DataFrame,
    soil_day: pl.DataFrame,
    evaporation_day: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """One row an event, strip and depth."""
    if rain_event.is_empty():
        return generated.empty(TABLE)
    storage = strip_storage.layers(soil_water_day, soil_day, farm)
    event = rain_event.select(
        *_KEY,
        "day",
        "rain_mm",
        "coverage",
        "partial",
        "reason",
        whole_1d="gain_1d_mm",
        whole_2d="gain_2d_mm",
    )
    lacks = event_gain.surface(evaporation_day, farm)
    rows = event_gain.gains(rain_event, storage, lacks).join(event, on=_KEY)
    blind = pl.any_horizontal(pl.col("storage_before_mm", "gain_1d_mm", "gain_2d_mm").is_null())
    rows = rows.with_columns(
        blind=blind,
        **{
            f"gain_{n}d_mm": pl.when(pl.col(f"whole_{n}d").is_not_null() & ~blind).then(
                f"gain_{n}d_mm"
            )
            for n in event_gain.AFTER_D
        },
    ).with_columns(
        capture_1d=pl.col("gain_1d_mm") / pl.col("rain_mm"),
        capture_2d=pl.col("gain_2d_mm") / pl.col("rain_mm"),
        partial=pl.col("blind") | pl.col("gain_2d_mm").is_null(),
        reason=pl.when(pl.col("blind"))
        .then(pl.lit("the layer has no value before or after the rain"))
        .when(pl.col("gain_2d_mm").is_null())
        .then("reason"),
    )
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
