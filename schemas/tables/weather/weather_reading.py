"""Readings of the stations, wide."""

from schemas.quantities import Instrument, columns_of
from schemas.shared_columns import READING_DELIVERY, READING_TIME, STATION
from schemas.table import Table, Tier

TABLE = Table(
    "weather_reading",
    Tier.READING,
    "one station at one time",
    (STATION, *READING_TIME, *columns_of(Instrument.STATION), READING_DELIVERY),
    wide=True,
)
