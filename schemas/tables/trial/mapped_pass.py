"""A combine pass made from the points of a yield map."""

from dataclasses import replace

from schemas.shared_columns import (
    BLOCK_KIND,
    BOOK_STRIP,
    FIELD,
    PROTEIN,
    SEASON,
    TEST_WEIGHT,
    completeness,
)
from schemas.table import Compared, Table, Tier, count, number, text

TABLE = Table(
    "mapped_pass",
    Tier.DERIVED,
    "one combine pass inside a strip, made from the cleaned points of a yield map",
    (
        FIELD,
        SEASON,
        BOOK_STRIP,
        text("pass", "name of the pass", key=True),
        text(
            "block",
            (
                "passes of both strips with the same block lie near each other and are compared; "
                "null for a pass too far from any of the other strip"
            ),
        ),
        BLOCK_KIND,
        number("across_m", "m", "place across the direction of travel, over all maps of the field"),
        number(
            "border_m", "m", "distance of the pass from the border between the strips", 0, 20000
        ),
        number("length_m", "m", "length of the kept points together", 0, 100000),
        number("width_m", "m", "mean width of the cut", 0, 60),
        count("points", "points of the pass before cleaning", required=True),
        count("points_kept", "points that count", required=True),
        number(
            "points_effective",
            "1",
            "kept points after allowing for their likeness to neighbors",
            0,
        ),
        number("yield_kg_ha", "kg/ha", "yield at market moisture, kept points", 0, 60000),
        number(
            "yield_se_kg_ha",
            "kg/ha",
            (
                "standard error from the spread along the pass, neighbors' likeness allowed for; "
                "the monitor's calibration is not in it"
            ),
            0,
            60000,
        ),
        number(
            "yield_uncleaned_kg_ha",
            "kg/ha",
            "the same from all points with a yield: beside yield_kg_ha the effect of the cleaning",
        ),
        number("moisture_pct", "percent", "mean moisture of the kept points, wet basis", 0, 60),
        replace(TEST_WEIGHT, meaning="mean test weight of the kept points that have one"),
        replace(PROTEIN, meaning="mean protein of the kept points that have one"),
        *completeness("kept points as a share of all points of the pass"),
    ),
    compared=Compared.ALONE,
)
