"""Make every table from forty years of one field, and print its rows and the peak memory so far.

Run as a program, so that the peak is that of the formulas alone.
"""

import json
from collections.abc import Iterator
from datetime import date

import polars as pl

from flows.derive import making
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.pages import farm
from tests.peak import peak_mb
from transforms import order

YEARS = 40
FIRST = date(1985, 4, 1)
_FIRST_SEASON = invented.FIRST.year


def tables() -> dict[str, pl.DataFrame]:
    """The set-up, hourly weather of two stations, and two probes read every six hours.

    Every fifth day has rain enough for an event.
    """
    begun = pl.lit(FIRST).alias("from_day")
    profile = [
        {"field": "Home", "day": date(_FIRST_SEASON, 4, 20), "place": "1"}
        | {"strip": strip, "depth_cm": depth, "cone_index_mpa": 3.0 if depth > 20 else 1.0}
        for strip in ("treated", "check")
        for depth in (5.0, 15.0, 25.0, 35.0)
    ]
    setup = invented.setup() | farm.book()
    setup["penetrometer"] = invented.frame("penetrometer", profile)
    for name in ("station_spell", "probe_spell"):
        setup[name] = setup[name].with_columns(begun)
    for name in ("season", "price", "operation", "harvest_pass", "penetrometer"):
        setup[name] = pl.concat(_every_year(setup[name]))
    days = YEARS * 365
    stations = setup["station_spell"]["station"]
    weather = pl.concat(invented.weather(station, days, FIRST) for station in stations)
    wet = (pl.col("time").dt.ordinal_day() % 5 == 0) & (pl.col("time").dt.hour() == 12)
    return setup | {
        "soil_reading": invented.readings(days, FIRST, step_h=6)["soil_reading"],
        "weather_reading": weather.with_columns(
            pl.lit(None, pl.Float64).alias("rain_counter_mm"),
            rain_mm=pl.when(wet).then(9.0).otherwise(0.0),
            solar_radiation_w_m2=200.0,
        ),
    }


def _every_year(rows: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Rows of the book's one season, as those of each of the years."""
    for year in range(FIRST.year, FIRST.year + YEARS):
        by = year - _FIRST_SEASON
        changed = [pl.col(pl.Date).dt.offset_by(f"{by}y")]
        if "season" in rows.columns:
            changed.append(pl.col("season") + by)
        yield rows.with_columns(changed)


def _pieces(name: str, given: dict[str, pl.DataFrame]) -> Iterator[dict[str, pl.DataFrame]]:
    """What a daily table is made from, ten years at a time: readings are reduced in pieces (``reduced``)."""
    readings = [table for table in given if name in order.DAILY and "time" in given[table].columns]
    decade = pl.col("time").dt.year() // 10
    for of in range(YEARS // 10 + 1):
        some = {t: given[t].filter(decade == FIRST.year // 10 + of) for t in readings}
        yield given | some
        if not readings:
            return


def main() -> None:
    """Print a line of JSON a table: its name, its rows and the peak in MB."""
    have = tables()
    for name in (*order.DAILY, *order.DERIVED):
        made_from = (table.name for table in making.sources(name))
        given = {table: have.get(table, generated.empty(TABLES[table])) for table in made_from}
        pieces = [making.function(name)(**some) for some in _pieces(name, given)]
        have[name] = pl.concat(pieces)
        if len(pieces) > 1:  # a day at a turn of decades is in two
            have[name] = have[name].unique(TABLES[name].key, keep="first", maintain_order=True)
        peak = peak_mb()
        print(json.dumps([name, have[name].height, peak]), flush=True)


if __name__ == "__main__":
    main()
