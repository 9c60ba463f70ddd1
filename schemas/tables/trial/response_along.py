"""Treated minus check by parts along mapped strips."""

from schemas.shared_columns import (
    CROP,
    FIELD,
    RESPONSE_INTERVAL,
    RESPONSE_INTERVAL_PCT,
    SEASON,
    completeness,
    p_value,
)
from schemas.table import Compared, Table, Tier, count, number, text

PARTS = 4

TABLE = Table(
    "response_along",
    Tier.DERIVED,
    "one of four parts along a field's mapped strips in a season: what the treated strip yielded there over its check",
    (
        FIELD,
        SEASON,
        count("part", "place of the part along the strips", low=1, high=PARTS, key=True),
        CROP,
        text("counted_from", "the end of the strips where part 1 lies", one_of=("south", "west")),
        number("from_m", "m", "where the part begins, along the strips", 0, 100000),
        number("to_m", "m", "where it ends", 0, 100000),
        count(
            "sections", "sections along the strips with mapped points on both sides", required=True
        ),
        number("treated_kg_ha", "kg/ha", "yield of the treated strip in these sections", 0, 60000),
        number("check_kg_ha", "kg/ha", "yield of the check strip in these sections", 0, 60000),
        number("response_kg_ha", "kg/ha", "treated minus check in the part"),
        *RESPONSE_INTERVAL,
        number("response_pct", "percent", "the same in percent of the check strip's yield there"),
        *RESPONSE_INTERVAL_PCT,
        p_value("p", "chance that the parts differ so much where only ground differs"),
        text(
            "verdict",
            "whether the response differs along the strips; of all parts together",
            one_of=("differs", "not shown", "too few"),
        ),
        *completeness("sections with mapped points on both sides as a share of the part's"),
    ),
    compared=Compared.ALONE,
)
