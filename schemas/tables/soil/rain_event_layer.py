"""How much of a rain event one layer held afterwards."""

from schemas.table import Table, Tier, number, partial, reason, share, text, time

TABLE = Table(
    "rain_event_layer",
    Tier.DERIVED,
    "the soil layer of one depth in one strip over one rain event",
    (
        text("field", "name of the field", key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        time("began", "start of the rain", key=True),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        number("layer_top_cm", "cm", "top of the layer", 0),
        number("layer_bottom_cm", "cm", "bottom of the layer", 0),
        number("rain_mm", "mm", "rain of the event in the strip", 0),
        number("storage_before_mm", "mm", "water in the layer before the rain", 0),
        number("gain_1d_mm", "mm", "rise to a day after the end of the rain"),
        number("gain_2d_mm", "mm", "rise to two days after the end of the rain"),
        number("capture_1d", "1", "share of the rain found in the layer a day after"),
        number("capture_2d", "1", "share of the rain found in the layer two days after"),
        share("coverage", "share of the event's days with a rain record"),
        partial(),
        reason(),
    ),
)
