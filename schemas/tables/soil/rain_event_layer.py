"""How much of a rain event one layer held afterwards."""

from schemas.shared_columns import DEPTH, FIELD, STRIP, completeness
from schemas.table import Compared, Table, Tier, day, number, time, unlimited_share

TABLE = Table(
    "rain_event_layer",
    Tier.DERIVED,
    "the soil layer of one depth in one strip over one rain event",
    (
        FIELD,
        STRIP,
        time("began", "start of the rain", key=True),
        DEPTH,
        day("day", "climatological day on which it began", required=True),
        number("layer_top_cm", "cm", "top of the layer", 0),
        number("layer_bottom_cm", "cm", "bottom of the layer", 0),
        number("rain_mm", "mm", "rain of the event in the strip", 0),
        number("storage_before_mm", "mm", "water in the layer before the rain", 0),
        number("gain_1d_mm", "mm", "rise to a day after the end of the rain"),
        number("gain_2d_mm", "mm", "rise to two days after the end of the rain"),
        unlimited_share("capture_1d", "share of the rain found in the layer a day after"),
        unlimited_share("capture_2d", "share of the rain found in the layer two days after"),
        *completeness("share of the event's days with a rain record"),
    ),
    compared=Compared.ALONE,
)
