"""Rain of tried readings that cannot be, or that the place can hardly have had.

Only days with much rain are made into daily rows, by the formulas that derive uses, so a dry month
costs nothing. Running totals are left to derive, which sees the readings around each.
"""

import duckdb
import polars as pl

from flows.derive import derive, waiting_days
from flows.store import warehouse

MUCH_MM = 50.0


def sentences(con: duckdb.DuckDBPyConnection) -> list[tuple[str | None, str]]:
    """Return a sentence for each source and station with such rain: the number of days, the worst."""
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


def _doubtful(con: duckdb.DuckDBPyConnection, readings: pl.DataFrame) -> pl.DataFrame:
    """Return station, day, rain and reason of the days whose rain is doubtful or left out."""
    have = {"weather_reading": readings}
    for name in ("weather_day", "rain_day"):
        given = {
            table.name: have.get(table.name, warehouse.read(con, table))
            for table in derive.sources(name)
        }
        have[name] = derive.function(name)(**given)
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
