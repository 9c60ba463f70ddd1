"""The day on which the crop's roots reached a sensor."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "root_arrival",
    Tier.DERIVED,
    "one depth of one strip in one season: when sustained crop uptake began there",
    (
        text("field", "name of the field", key=True),
        count("season", "year of the harvest", low=1900, high=2200, key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        text("crop", "crop of the season"),
        text(
            "state",
            "what is known: reached; reached before the record of the season began, or perhaps before the winter; not seen to come while watched; not told (the reason says why); probe out",
            required=True,
            one_of=("reached", "before the record", "not seen", "not told", "probe out"),
        ),
        day("day", "day on which the root front passed the sensor"),
        day("earliest_day", "earliest day that fits nearly as well (90 % interval)"),
        day("latest_day", "latest day that fits nearly as well (90 % interval)"),
        day(
            "quiet_until_day",
            "where the roots were not seen to come: the day up to which not even weak uptake is in the record; null where there is none",
        ),
        day("watched_from_day", "first day of the season with an uptake at this depth"),
        day("watched_to_day", "last day of the season with an uptake at this depth"),
        count("days", "days of the season with an uptake at this depth"),
        text(
            "method",
            "how the uptake was made, on most days",
            one_of=("day-night", "balance"),
        ),
        share("coverage", "share of the days from emergence to harvest with an uptake"),
        partial(),
        reason(),
    ),
)
