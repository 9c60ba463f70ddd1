"""How each instrument is, what it needs, and what it had before."""

from schemas.shared_columns import INSTRUMENT, KIND_OF_INSTRUMENT, STRIP_STOOD_IN, completeness
from schemas.table import Table, Tier, count, day, flag, number, text

# What each check can find: the word of it, and whether it wants a pair of hands or a watchful eye.
SEVERITY: dict[str, str] = {
    "silent": "hands",
    "no values": "hands",
    "battery failing": "hands",
    "battery falling": "watch",
    "gap": "watch",
    "gap pattern": "watch",
    "stuck": "hands",
    "impossible": "hands",
    "flagged as suspect": "hands",
    "flagged as frozen": "watch",
    "set aside": "watch",
    "clock": "hands",
    "clock late": "watch",
    "gauge blocked": "hands",
    "gauge dry": "hands",
    "gauge lost": "hands",
    "rain disagreement": "watch",
    "hand gauge disagreement": "watch",
    "rain doubtful": "hands",
    "rain impossible": "hands",
    "counter jump": "hands",
    "radiation low": "hands",
    "radiation high": "watch",
    "temperature disagreement": "watch",
    "humidity disagreement": "watch",
    "depths exchanged": "hands",
    "probe disturbed": "hands",
}

TABLE = Table(
    "station_health",
    Tier.DERIVED,
    (
        "one finding at an instrument with its first and last day, or one check that found nothing as of "
        "the latest day, or could not be made"
    ),
    (
        KIND_OF_INSTRUMENT,
        INSTRUMENT,
        text(
            "part", "the part of it: whole, a quantity of a station, or a sensor's depth", key=True
        ),
        text("finding", "what the check looks for", key=True, one_of=tuple(SEVERITY)),
        day(
            "from_day",
            (
                "first day of the finding; where nothing was found, the first good day since; "
                "where not evaluated, the latest day"
            ),
            key=True,
        ),
        day("to_day", "last day of the finding, or of what was looked at", required=True),
        text("field", "field that the instrument stood in"),
        STRIP_STOOD_IN,
        number("depth_cm", "cm", "depth of the sensor; null where it is of the whole", 0, 1000),
        text(
            "state",
            "what the check came to",
            required=True,
            one_of=("found", "good", "not evaluated"),
        ),
        text(
            "severity",
            "what a finding wants, by its kind: hands or watching; null where nothing was found",
            one_of=("hands", "watch"),
        ),
        flag(
            "current",
            "true where the row tells how it is as of the latest day, false for a finding that is over",
            required=True,
        ),
        count("days", "days behind it"),
        number(
            "silent_d",
            "day",
            (
                "days without a value: of an instrument up to the farm's newest receipt, of a part "
                "up to the last value of its instrument"
            ),
            0,
        ),
        number(
            "habit_d",
            "day",
            (
                "days that it is usually silent at most: the 95th percentile of what lay between "
                "its arrivals, or between its days where it came in one piece"
            ),
            0,
        ),
        number("silent_after_d", "day", "days without a value after which it counts as silent", 0),
        number("battery_min_v", "V", "latest lowest supply voltage", 0, 30),
        day("fails_day", "day on which the battery fails if it goes on falling so"),
        text(
            "compared_with",
            (
                "station that it was compared with, or 'hand gauge'; null where it was judged by "
                "itself"
            ),
        ),
        number(
            "ratio",
            "1",
            (
                "its sum over that of the station compared with, on days that both recorded; "
                "without one, its radiation on the best days over a clear sky's"
            ),
            0,
        ),
        number(
            "difference_c",
            "delta_degC",
            "median of its daily mean temperature minus the other's",
            -150,
            150,
        ),
        number(
            "difference_pct",
            "percent",
            "median of its daily mean humidity minus the other's",
            -100,
            100,
        ),
        number("rain_in_question_mm", "mm", "rain that is doubtful or was left out", 0),
        number("difference_mm", "mm", "its rain of the day minus the other's", -2000, 2000),
        number(
            "clock_error_h",
            "hour",
            (
                "what its clock is fast (above zero) or slow by, by the sun or by the age of its "
                "readings on arrival, at the end of the finding"
            ),
            -12,
            12,
        ),
        text(
            "cause",
            "what the finding rests on, as text, where its name and the numbers do not say it",
        ),
        text("advice", "what it is and what to do, in a sentence; null where nothing was found"),
        *completeness("share of the days from from_day to to_day that the check could use"),
    ),
    # Habit is known by arrivals, and the same readings in other files arrive otherwise.
    checksum=False,
)
