"""Treated minus check by kind of ground along mapped strips."""

from schemas.shared_columns import (
    CROP,
    FIELD,
    GROUND_MAP,
    RESPONSE_INTERVAL,
    RESPONSE_INTERVAL_PCT,
    SEASON,
    completeness,
    p_value,
)
from schemas.table import Compared, Table, Tier, count, number, text

TABLE = Table(
    "response_by_ground",
    Tier.DERIVED,
    "one kind of ground under a field's mapped strips in a season: what the treated strip yielded there over its check",
    (
        FIELD,
        SEASON,
        GROUND_MAP,
        text(
            "kind",
            (
                "which ground: low, middle or high third of the sections by the map's value, or a class "
                "of a map that has few whole numbers"
            ),
            key=True,
        ),
        CROP,
        number("ground_low", "1", "lowest value of its sections, in the map's own unit"),
        number("ground_high", "1", "highest value of its sections, in the map's own unit"),
        count(
            "sections",
            "sections along the strips of this kind, with mapped points on both sides",
            required=True,
        ),
        number("treated_kg_ha", "kg/ha", "yield of the treated strip in these sections", 0, 60000),
        number("check_kg_ha", "kg/ha", "yield of the check strip in these sections", 0, 60000),
        number("response_kg_ha", "kg/ha", "treated minus check on this ground"),
        *RESPONSE_INTERVAL,
        number("response_pct", "percent", "the same in percent of the check strip's yield there"),
        *RESPONSE_INTERVAL_PCT,
        p_value("p", "chance that the kinds differ so much where only ground differs"),
        p_value(
            "p_adjusted",
            "p after allowing for the number of the season's maps (Bonferroni); the verdict goes by it",
        ),
        text(
            "verdict",
            "whether the response differs between the kinds of ground; of all kinds together",
            one_of=("differs", "not shown", "too few"),
        ),
        *completeness(
            "sections compared as a share of those with mapped points on both sides, of all kinds together"
        ),
    ),
    compared=Compared.ALONE,
)
