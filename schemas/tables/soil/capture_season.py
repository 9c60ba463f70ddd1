"""Capture of treated beside check, over the events that both strips have."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "capture_season",
    Tier.DERIVED,
    "one field over the rain events from the harvest before to the harvest of the season",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        count("days_after", "days after the end of the rain", low=1, high=2, key=True),
        text("crop", "crop of the season"),
        day("from_day", "day of the first event counted"),
        day("to_day", "day of the last event counted"),
        count("events", "rain events of the time, winter left out", required=True),
        count("common_events", "events that count: same layers seen in both strips", required=True),
        number("rain_mm", "mm", "rain of the events that count, mean of the strips", 0),
        number("capture_treated", "1", "mean capture of those events, treated"),
        number("capture_check", "1", "mean capture of those events, check"),
        number("difference", "1", "treated minus check, mean over the events"),
        number("difference_low", "1", "lower end of its 95 % interval"),
        number("difference_high", "1", "upper end of its 95 % interval"),
        share("coverage", "common events as a share of the events"),
        partial(),
        reason(),
    ),
)
