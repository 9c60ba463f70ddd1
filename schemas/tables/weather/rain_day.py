"""Rain against normal, day by day."""

from schemas.table import (
    Column,
    Table,
    Tier,
    count,
    day,
    flag,
    number,
    partial,
    reason,
    share,
    text,
)


def _to_date(span: str, words: str) -> tuple[Column, ...]:
    return (
        number(f"{span}_mm", "mm", f"rain recorded since {words}", 0),
        number(f"{span}_normal_mm", "mm", f"normal of what was recorded since {words}", 0),
        number(
            f"{span}_of_normal_pct",
            "percent",
            f"rain recorded since {words} in percent of its normal",
            0,
        ),
        share(f"{span}_coverage", f"share of the days since {words} with a rain record"),
    )


TABLE = Table(
    "rain_day",
    Tier.DERIVED,
    "rain at one station on one day, from its first day to its last; days without data stand as nulls",
    (
        text("station", "name of the station", key=True),
        day("day", "climatological day", key=True),
        text("field", "field that the station stood in that day"),
        text("strip", "side of the trial", one_of=("treated", "check")),
        number("rain_mm", "mm", "rain of the day, of the part that was recorded", 0, 2000),
        share("rain_coverage", "share of the day with a rain record"),
        day(
            "rain_since_day",
            "first day of the rain total: earlier than day where a running total bridged a gap",
        ),
        number(
            "recorded_d",
            "day",
            "days that the total stands for: the recorded part of the day, and the lost parts of the days that it bridges",
            0,
        ),
        number("normal_mm", "mm", "normal rain of the calendar day", 0, 500),
        number(
            "normal_recorded_mm",
            "mm",
            "normal of what the total stands for; departures compare with this",
            0,
        ),
        number("departure_mm", "mm", "rain minus the normal of what the total stands for"),
        flag("bridged", "true where a later total includes what this day lost"),
        flag(
            "may_be_snow",
            "true where rain came from an unheated gauge on a day at or below 0 degC in the mean; null where the temperature is not known",
        ),
        *_to_date("year_to_date", "1 January"),
        count("season", "season (year of harvest) that stood in the field", low=1900, high=2200),
        *_to_date("season_to_date", "seeding"),
        partial(),
        reason(),
    ),
)
