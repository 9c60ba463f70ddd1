"""One sensor of a probe."""

from schemas.shared_columns import PROBE
from schemas.table import Table, Tier, day, number, text

TABLE = Table(
    "sensor",
    Tier.SETUP,
    "one sensor of a probe at one depth",
    (
        PROBE,
        number(
            "depth_cm", "cm", "depth of the sensor's middle below the surface", 0, 1000, key=True
        ),
        text(
            "sensor", "name of the sensor in the logger's files, where columns do not say the depth"
        ),
        day("from_day", "first day that it is valid; null for always"),
        day("to_day", "last day that it is valid; null for always"),
        number(
            "drained_upper_limit_pct",
            "percent",
            "drained upper limit given by the user; null to take it from the record",
            0,
            100,
        ),
        number(
            "lower_limit_pct",
            "percent",
            "lower limit given by the user; null to take it from the record",
            0,
            100,
        ),
        text(
            "calibration",
            "polynomial coefficients from raw counts to vwc in percent, lowest power first, separated by spaces",
        ),
    ),
)
