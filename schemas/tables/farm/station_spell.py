"""Where a station stood, from when to when."""

from schemas.table import Table, Tier, day, flag, number, text

TABLE = Table(
    "station_spell",
    Tier.SETUP,
    "one spell of a station at one place",
    (
        text("station", "name of the station", key=True),
        day("from_day", "first day there", key=True),
        day("to_day", "last day there; null while it stands"),
        text(
            "field",
            "field that it stands in; null for a station that is not on a trial (a long record, a neighbour)",
        ),
        text("strip", "side of the trial", one_of=("treated", "check")),
        number("wind_height_m", "m", "height of the wind sensor", 0.5, 100),
        flag(
            "gauge_heated",
            "true where the rain gauge is heated, so that snow is measured as it falls",
        ),
    ),
)
