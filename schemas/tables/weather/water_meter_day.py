"""Readings of a water meter reduced to a day."""

from schemas.shared_columns import DAY, PARTIAL, REASON, STATION
from schemas.table import Table, Tier, count, coverage, day, number, text

TABLE = Table(
    "water_meter_day",
    Tier.DAILY,
    "one station with a water meter on one day",
    (
        STATION,
        DAY,
        text("field", "field that its water went to that day"),
        text(
            "strip",
            "the strip that its water went to; both for the whole field",
        ),
        number(
            "irrigated_area_ha",
            "hectare",
            "area that its water was put on, of farm.toml; null where it is not given",
            0,
            100000,
        ),
        number("volume_m3", "m^3", "water that passed, of the part that was recorded", 0, 1e9),
        coverage("share of the day with a record of the meter", "volume_coverage"),
        day(
            "volume_since_day",
            "first day of the volume: earlier than day where a running total bridged a gap",
        ),
        text(
            "volume_from",
            "which record it is made from: the one that covers more of the day",
            one_of=("increments", "running total", "flow"),
        ),
        count("readings", "readings of the meter"),
        count("suspect", "readings of a running total that were left out or not believed"),
        PARTIAL,
        REASON,
    ),
)
