"""Readings of the stations, wide."""

from schemas.quantities import Instrument, columns_of
from schemas.table import Table, Tier, number, text, time

TABLE = Table(
    "weather_reading",
    Tier.READING,
    "one station at one time",
    (
        text("station", "name of the station", key=True),
        time("time", "end of the interval that the reading closes", key=True),
        number(
            "interval_s",
            "s",
            "length of the interval that ends at time",
            1,
            86400 * 31,
            required=True,
        ),
        *columns_of(Instrument.STATION),
        text("delivery", "the delivery that brought it last", provenance=True),
    ),
    kept=True,
)
