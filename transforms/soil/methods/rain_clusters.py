"""Rain of a field parted into events by dry hours, before any is called too small."""

from __future__ import annotations

import polars as pl

HOUR_US = 3.6e9


def clusters(
    rain_spell: pl.DataFrame, weather_day: pl.DataFrame, farm: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Spells of a field's stations that less than ``farm.event_gap_h`` dry hours part, as one.

    The spells of all stations in the field are laid over each other, so that both strips are
    asked about one event. A spell as coarse as the gap itself (a daily total) counts as dry below
    ``farm.trace_threshold_mm``; daily totals so give runs of wet days.

    Returned: ``field``, ``cluster``, ``began``, ``ended``, ``by_days``; and the rain of every
    station: ``field``, ``cluster``, ``station``, ``strip``, ``rain_mm``.
    """
    gap_h: float = farm["event_gap_h"].item()
    trace_mm: float = farm["trace_threshold_mm"].item()
    coarse = pl.col("step_h") >= gap_h
    dry_h = (pl.col("began") - pl.col("wet_until")).dt.total_microseconds() / HOUR_US
    spell = (
        rain_spell.join(
            weather_day.select("station", "day", "field", "strip"), on=["station", "day"]
        )
        .filter(pl.col("field").is_not_null() & ~(coarse & (pl.col("rain_mm") < trace_mm)))
        .sort("field", "began", "station")
        .with_columns(wet_until=pl.col("ended").cum_max().shift(1).over("field"))
        .with_columns(cluster=(dry_h >= gap_h).fill_null(True).cum_sum().over("field"))
    )
    events = (
        spell.group_by("field", "cluster")
        .agg(pl.col("began").min(), pl.col("ended").max(), by_days=coarse.any())
        .sort("field", "cluster")
    )
    by_station = spell.group_by("field", "cluster", "station", "strip").agg(pl.col("rain_mm").sum())
    return events, by_station
