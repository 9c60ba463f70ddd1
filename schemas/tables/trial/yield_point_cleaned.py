"""Points of a yield map, each kept or removed with its reason."""

from schemas.shared_columns import FIELD, PARTIAL, PROTEIN, REASON, SEASON, TEST_WEIGHT
from schemas.table import Table, Tier, count, flag, number, text

TABLE = Table(
    "yield_point_cleaned",
    Tier.DERIVED,
    "one point of a yield map, kept or removed",
    (
        FIELD,
        SEASON,
        text("map_file", "name of the export without its ending", key=True),
        count("point", "place in the export, from 1", low=1, key=True),
        text("strip", "the strip that it lies in; null outside all"),
        text("block", "the block that its outline names; null without such a name"),
        text("pass", "the pass that it belongs to: lines at one place are one pass; null for none"),
        number(
            "east_m", "m", "east of the middle of the outlines (without any, of the map's points)"
        ),
        number(
            "north_m", "m", "north of the middle of the outlines (without any, of the map's points)"
        ),
        number("ahead_m", "m", "place along the direction of travel, from that middle"),
        number("across_m", "m", "place across the direction of travel, from that middle"),
        number("along_m", "m", "distance traveled in this line since it entered the strip"),
        flag(
            "crossed",
            "true where the combine drove across the strips, through two or more in one line",
        ),
        number(
            "border_m",
            "m",
            "distance from the other strip of the field; null if the field has more than two on the map",
            0,
            100000,
        ),
        number(
            "edge_m",
            "m",
            "distance from the edge of its own strip; null without an outline",
            0,
            20000,
        ),
        number(
            "lag_s",
            "s",
            (
                "time between cut and grain sensor that was taken off: as the export gives it, else "
                "from neighboring passes driven opposite ways, 0 where they show none; null where nothing tells it"
            ),
        ),
        number("distance_m", "m", "distance traveled for this point"),
        number("width_m", "m", "width of the cut"),
        number(
            "yield_kg_ha",
            "kg/ha",
            "yield at the crop's market moisture; null where it cannot be made",
        ),
        number("moisture_pct", "percent", "moisture of the grain, wet basis", -100, 200),
        TEST_WEIGHT,
        PROTEIN,
        flag("kept", "true where the point counts", required=True),
        text("removed_because", "the rule that removed it; null where it is kept"),
        PARTIAL,
        REASON,
    ),
)
