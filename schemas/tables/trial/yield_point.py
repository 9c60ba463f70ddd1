"""Points of a yield map as the export has them."""

from schemas.shared_columns import LATITUDE, LONGITUDE, PROTEIN, SEASON, TEST_WEIGHT
from schemas.table import Table, Tier, count, number, text, time

TABLE = Table(
    "yield_point",
    Tier.SETUP,
    "one point of a yield-map export, as it came, in SI units",
    (
        text("field", "name of the field as the export or its file name has it", key=True),
        SEASON,
        text("map_file", "name of the export without its ending", key=True),
        count("point", "place in the export, from 1", low=1, key=True),
        time("time", "when it was taken, where the export says"),
        LATITUDE,
        LONGITUDE,
        number(
            "yield_kg_ha", "kg/ha", "yield as written, at the moisture written beside it", -1e6, 1e6
        ),
        number(
            "yield_bu_ha",
            "bushel/hectare",
            "the same where it is written in bushels of the grain trade, a mass that the crop list gives",
            -1e6,
            1e6,
        ),
        number(
            "market_yield_kg_ha", "kg/ha", "yield that is at market moisture as written", -1e6, 1e6
        ),
        number(
            "market_yield_bu_ha",
            "bushel/hectare",
            "the same where it is written in bushels of the grain trade",
            -1e6,
            1e6,
        ),
        number("flow_kg_s", "kg/s", "flow of wet grain, where written", -1e4, 1e4),
        number("moisture_pct", "percent", "moisture of the grain, wet basis", -100, 200),
        TEST_WEIGHT,
        PROTEIN,
        number("speed_km_h", "km/hour", "ground speed", -1000, 1000),
        number("distance_m", "m", "distance since the point before", -1e5, 1e5),
        number("interval_s", "s", "time that the point stands for, where written", 0, 3600),
        number("lag_s", "s", "time between cut and grain sensor still in the export", -60, 60),
        number("width_m", "m", "width of the cut, where written", -1000, 1000),
        number("cut_rows", "1", "rows that were cut, where written", 0, 100),
        number("row_spacing_m", "m", "distance between the rows, where written", 0, 10),
        number("heading_deg", "degree", "direction of travel, clockwise from north", -360, 360),
        text("strip", "the strip, where the export says"),
        text("pass", "number or name of the pass, where the export says"),
    ),
)
