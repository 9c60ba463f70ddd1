"""Water in the layer that a sensor stands for."""

from schemas.table import Table, Tier, count, day, number, partial, reason, share, text

TABLE = Table(
    "soil_water_day",
    Tier.DERIVED,
    "the soil layer of one sensor of a probe on one day",
    (
        text("probe", "name of the probe", key=True),
        number("depth_cm", "cm", "depth of the sensor", 0, 1000, key=True),
        day("day", "climatological day", key=True),
        text("field", "field that the probe stood in that day"),
        text("strip", "side of the trial", one_of=("treated", "check")),
        number(
            "layer_top_cm",
            "cm",
            "top of the layer: the middle to the sensor above, the surface for the first",
            0,
            1000,
        ),
        number(
            "layer_bottom_cm",
            "cm",
            "bottom of the layer: the middle to the sensor below; for the last as far below the sensor as its top is above it",
            0,
            2000,
        ),
        number(
            "vwc_pct", "percent", "mean volumetric water content of the day, offset applied", 0, 100
        ),
        number("storage_mm", "mm", "water in the layer", 0, 10000),
        number(
            "range_share",
            "1",
            "where the layer stands between its dry point (0) and its full point (1); outside of 0 to 1 where it is drier or wetter than those",
            -10,
            10,
        ),
        number("full_point_pct", "percent", "drained upper limit of the layer", 0, 100),
        text(
            "full_point_from",
            "where the full point comes from",
            one_of=("given", "record", "highest seen"),
        ),
        count(
            "wettings", "wettings with free drainage after them that stand behind the full point"
        ),
        number("dry_point_pct", "percent", "lowest sustained water content of the layer", 0, 100),
        text("dry_point_from", "where the dry point comes from", one_of=("given", "record")),
        text(
            "quality",
            "quality of the sensor that day",
            one_of=("good", "suspect", "bad", "missing", "not evaluated"),
        ),
        share("coverage", "share of the day with water content"),
        partial(),
        reason(),
    ),
)
