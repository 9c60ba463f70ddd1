"""Rain of tried readings that cannot be or is hard to believe, and gauges that caught nothing.

Days with much rain are made into daily rows by the formulas that derive uses; for the rest the sums
of a day are enough. Running totals are left to derive, which sees the readings around each.
"""

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from flows.derive import making, waiting_days
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES

MUCH_MM = 50.0


def sentences(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, str]]:
    """Return a sentence for each source and station with such rain, and for each lost gauge."""
    return [*_much(con), *_lost(con)]


def _much(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, str]]:
    """Say how many days have too much rain, and which is the worst."""
    day = waiting_days.day_in_sql("r.time")
    wet = f"""
        SELECT r.station, {day} AS day, any_value(d.source) AS source
        FROM weather_reading r LEFT JOIN delivery d USING (delivery)
        WHERE r.rain_mm IS NOT NULL GROUP BY ALL HAVING sum(r.rain_mm) >= {MUCH_MM}
    """
    days = con.sql(wet).pl()
    if days.is_empty():
        return []
    with warehouse.shown(con, wet_days=days.select("station", "day")):
        readings = con.sql(f"""
            SELECT r.* FROM weather_reading r JOIN wet_days w ON w.station = r.station
            AND w.day = {day}
        """).pl()
    found = _doubtful(con, readings).join(days, on=["station", "day"], how="left")
    worst = (
        found.sort("amount_mm", descending=True)
        .group_by("source", "station")
        .agg(pl.len(), pl.all().first().name.suffix("_first"))
    )
    return [
        (
            row["source"],
            f"days at {row['station']} with rain that cannot be or is hard to believe: "
            f"{row['len']:,}, such as {row['amount_mm_first']:,.1f} mm on {row['day_first']} "
            f"({row['reason_first']})",
        )
        for row in worst.sort("source", "station").to_dicts()
    ]


def _lost(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, str]]:
    """Say which gauges caught nothing for weeks while another one of their field did."""
    sums = f"""
        SELECT r.station, {waiting_days.day_in_sql("r.time")} AS day, any_value(d.source) AS source,
            sum(r.rain_mm) AS rain_mm, least(sum(r.interval_s) / 86400.0, 1.0) AS rain_coverage
        FROM weather_reading r LEFT JOIN delivery d USING (delivery)
        WHERE r.rain_mm IS NOT NULL GROUP BY ALL
    """
    days = con.sql(sums).pl().with_columns(rain_since_day="day")
    if days["station"].n_unique() < 2:
        return []
    made = _made(
        con,
        {"weather_day": generated.conform(days.drop("source"), TABLES["weather_day"])},
        "weather_used_day",
    )
    sources = days.group_by("station").agg(pl.col("source").drop_nulls().mode().first())
    lost = (
        made["weather_used_day"]
        .filter("gauge_lost")
        .group_by("station", "reason")
        .agg(pl.col("day").min(), pl.len())
        .join(sources, on="station")
        .sort("station", "day")
    )
    return [
        (
            row["source"],
            f"days at {row['station']} that count as not recorded: {row['len']:,} since {row['day']} "
            f"({row['reason']})",
        )
        for row in lost.to_dicts()
    ]


def _made(
    con: duckdb.DuckDBPyConnection, have: Mapping[str, pl.DataFrame], *names: str
) -> dict[str, pl.DataFrame]:
    """Return the given tables and those of ``names``, made by the formulas of derive in that order."""
    made = dict(have)
    for name in names:
        given: dict[str, Any] = {
            table.name: made[table.name] if table.name in made else warehouse.read(con, table)
            for table in making.sources(name)
        }
        made[name] = making.function(name)(**given)
    return made


def _doubtful(con: duckdb.DuckDBPyConnection, readings: pl.DataFrame) -> pl.DataFrame:
    """Return station, day, rain and reason of the days whose rain is doubtful or left out."""
    have = _made(con, {"weather_reading": readings}, "weather_day", "weather_used_day", "rain_day")
    left_out = have["weather_day"].select("station", "day", "rain_impossible_mm")
    return (
        have["rain_day"]
        .join(left_out, on=["station", "day"])
        .filter(pl.col("rain_doubtful") | pl.col("rain_impossible_mm").is_not_null())
        .select(
            "station",
            "day",
            "reason",
            amount_mm=pl.max_horizontal("rain_mm", "rain_impossible_mm"),
        )
    )
