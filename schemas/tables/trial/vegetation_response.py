"""The vegetation index of a season, treated less check."""

from schemas.shared_columns import CROP, FIELD, SEASON, completeness, interval
from schemas.table import Column, Compared, Table, Tier, count, day, number, text


def _compared(stem: str, unit: str, suffix: str, meaning: str) -> tuple[Column, ...]:
    """Declare a quantity of the curve: treated, check, the difference and its interval."""
    return (
        number(f"treated_{stem}{suffix}", unit, f"{meaning}, treated strip"),
        number(f"check_{stem}{suffix}", unit, f"{meaning}, check strip"),
        number(f"{stem}_difference{suffix}", unit, f"{meaning}, treated minus check"),
        *interval(f"{stem}_difference", unit),
    )


def _dated(stem: str, meaning: str) -> tuple[Column, ...]:
    """Declare a day of the curve: treated, check, days later and their interval."""
    return (
        day(f"treated_{stem}_day", f"{meaning}, treated strip"),
        day(f"check_{stem}_day", f"{meaning}, check strip"),
        number(f"{stem}_later_d", "day", "days that it came later in the treated strip"),
        *interval(f"{stem}_later", "day"),
    )


TABLE = Table(
    "vegetation_response",
    Tier.DERIVED,
    "the vegetation index of one season by one source, treated less check",
    (
        FIELD,
        SEASON,
        text("source", "where it is from: a folder of images/, or observed", key=True),
        CROP,
        count("days_seen", "days on which both strips were seen", required=True),
        day("first_day", "first of those days"),
        day("last_day", "last of those days"),
        number("longest_gap_d", "day", "longest time between two of them", 0),
        *_compared("peak", "1", "", "highest index"),
        *_compared("area", "day", "_d", "area under the index from the first to the last day"),
        *_dated("green_up", "day on which the index passed half of its rise to the peak"),
        *_dated("senescence", "day on which it fell below half of its way down"),
        text("limits", "what the images cannot tell, in plain words"),
        *completeness("share of the season's days between images that are near enough"),
    ),
    compared=Compared.ALONE,
)
