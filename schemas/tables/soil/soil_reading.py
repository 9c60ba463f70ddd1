"""Readings of the probes: one row a sensor and time."""

from dataclasses import replace

from schemas.quantities import Instrument, columns_of
from schemas.shared_columns import DEPTH, PROBE, READING_DELIVERY, READING_TIME
from schemas.table import Table, Tier

TABLE = Table(
    "soil_reading",
    Tier.READING,
    "one sensor of a probe at one time",
    (
        PROBE,
        replace(DEPTH, as_list=True),
        *READING_TIME,
        *(replace(column, as_list=True) for column in columns_of(Instrument.PROBE)),
        READING_DELIVERY,
    ),
    wide=True,
)
