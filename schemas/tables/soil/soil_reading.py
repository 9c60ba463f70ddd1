"""Readings of the probes: one row a sensor and time."""

from dataclasses import replace

from schemas.quantities import Instrument, columns_of
from schemas.table import Table, Tier, number, text, time

TABLE = Table(
    "soil_reading",
    Tier.READING,
    "one sensor of a probe at one time",
    (
        text("probe", "name of the probe", key=True),
        replace(number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True), listed=True),
        time("time", "end of the interval that the reading closes", key=True),
        number(
            "interval_s",
            "s",
            "length of the interval that ends at time",
            1,
            86400 * 31,
            required=True,
        ),
        *(replace(column, listed=True) for column in columns_of(Instrument.PROBE)),
        text("delivery", "the delivery that brought it last", provenance=True),
    ),
    kept=True,
)
