"""A rain event, and how much of it a strip's soil held afterwards."""

from schemas.shared_columns import FIELD, STANDING_SEASON, STRIP, completeness
from schemas.table import Compared, Table, Tier, day, flag, number, text, time, unlimited_share

TABLE = Table(
    "rain_event",
    Tier.DERIVED,
    "one rain event of a field in one strip",
    (
        FIELD,
        STRIP,
        time("began", "start of the rain, the same in both strips", key=True),
        time("ended", "end of the rain, the same in both strips", required=True),
        day("day", "climatological day on which it began", required=True),
        STANDING_SEASON,
        number("rain_mm", "mm", "rain of the event in the strip", 0),
        text("rain_from", "whose gauge it is", one_of=("own station", "other strip's station")),
        flag(
            "by_days",
            "true where the record is too coarse to see the dry hours: the event is a run of wet days",
            required=True,
        ),
        flag(
            "winter",
            "true where snow or frozen soil about the event hides what the soil held: left out of capture",
            required=True,
        ),
        text("depths", "depths of the sensors behind the gain, in cm"),
        number("storage_before_mm", "mm", "water in those layers before the rain", 0),
        number("gain_1d_mm", "mm", "rise of storage from before the rain to a day after its end"),
        number(
            "gain_2d_mm", "mm", "rise of storage from before the rain to two days after its end"
        ),
        number(
            "unseen_1d_mm",
            "mm",
            (
                "of the gain after a day, what lies above the first sensor's sight, by the balance "
                "of the evaporation layer"
            ),
            0,
        ),
        number("unseen_2d_mm", "mm", "of the gain after two days, the same", 0),
        unlimited_share("capture_1d", "share of the rain found a day after its end"),
        unlimited_share("capture_2d", "share of the rain found two days after its end"),
        flag(
            "both_strips",
            "true where the same layers of both strips have a capture of this event two days after",
            required=True,
        ),
        *completeness("share of the event's days with a rain record"),
    ),
    compared=Compared.ALONE,
)
