"""Capture of treated beside check, over the events that both strips have."""

from schemas.shared_columns import CROP, FIELD, SEASON, completeness, share_interval
from schemas.table import Compared, Table, Tier, count, day, number, unlimited_share

TABLE = Table(
    "capture_season",
    Tier.DERIVED,
    "one field over the rain events from the harvest before to the harvest of the season",
    (
        FIELD,
        SEASON,
        count("days_after", "days after the end of the rain", low=1, high=2, key=True),
        CROP,
        day("from_day", "day of the first event counted"),
        day("to_day", "day of the last event counted"),
        count("events", "rain events of the time, winter left out", required=True),
        count("common_events", "events that count: same layers seen in both strips", required=True),
        number("rain_mm", "mm", "rain of the events that count, mean of the strips", 0),
        unlimited_share("capture_treated", "mean capture of those events, treated"),
        unlimited_share("capture_check", "mean capture of those events, check"),
        unlimited_share("difference", "treated minus check, mean over the events"),
        *share_interval("difference", limited=False),
        *completeness("common events as a share of the events"),
    ),
    compared=Compared.ALONE,
)
