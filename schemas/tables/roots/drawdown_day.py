"""Water taken up from a layer in a day."""

from schemas.table import Table, Tier, count, day, flag, number, partial, reason, share, text

TABLE = Table(
    "drawdown_day",
    Tier.DERIVED,
    "the water taken up from the soil layer of one sensor on one day",
    (
        text("field", "name of the field", key=True),
        text("strip", "side of the trial", key=True, one_of=("treated", "check")),
        text("probe", "name of the probe", key=True),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        day("day", "climatological day", key=True),
        count(
            "season",
            "harvest year of the crop that stood; null between harvest and seeding",
            low=1900,
            high=2200,
        ),
        number("layer_thickness_cm", "cm", "thickness of the layer", 0, 2000),
        number(
            "fall_mm",
            "mm",
            "fall in the layer's storage since the day before; negative where it rose",
            -1000,
            1000,
        ),
        number(
            "uptake_mm",
            "mm",
            "water taken up by the crop; noise may make a single day slightly negative, so that sums stay true",
            -100,
            100,
        ),
        number(
            "evaporation_mm",
            "mm",
            "evaporation from the soil, taken off the fall of the layer at the surface; null elsewhere",
            0,
            60,
        ),
        number("uptake_error_mm", "mm", "standard error of the uptake", 0, 100),
        text("method", "how the uptake was made", one_of=("day-night", "balance")),
        number("rain_mm", "mm", "rain of the strip that day", 0, 2000),
        flag(
            "both_strips",
            "true where treated and check both have an uptake at this depth on this day",
            required=True,
        ),
        share("coverage", "share of the day with water content"),
        partial(),
        reason(),
    ),
)
