"""Yield at market moisture by pass and by strip."""

from dataclasses import replace

from schemas.shared_columns import (
    BLOCK_KIND,
    BOOK_STRIP,
    CALIBRATION,
    CROP,
    FIELD,
    PROTEIN,
    SEASON,
    completeness,
)
from schemas.table import Compared, Table, Tier, count, flag, number, text

TABLE = Table(
    "strip_yield",
    Tier.DERIVED,
    "the yield of one pass, or (pass 'all') of one strip by each method and (method 'combined') by both together",
    (
        FIELD,
        SEASON,
        BOOK_STRIP,
        text("pass", "name of the pass; 'all' for the whole strip", key=True),
        text(
            "method",
            "how it was measured; 'combined' only where pass is 'all': the strip's yield from whatever was measured",
            key=True,
            one_of=("scale wagon", "yield map", "combined"),
        ),
        text(
            "block",
            "passes of the two strips with the same block are compared; null where pass is 'all'",
        ),
        BLOCK_KIND,
        CROP,
        number("yield_kg_ha", "kg/ha", "yield at the crop's market moisture", 0, 60000),
        number(
            "yield_se_kg_ha",
            "kg/ha",
            "standard error: of a pass that of its measurement, of a strip that of its mean over passes",
            0,
            60000,
        ),
        number("moisture_pct", "percent", "moisture of the grain at harvest, wet basis", 0, 60),
        number(
            "test_weight_kg_hl", "kg/hL", "test weight, of a strip the mean of its passes", 10, 120
        ),
        PROTEIN,
        number(
            "protein_se_pct",
            "percent",
            "standard error of a strip's protein, from its passes; null of a pass, and under two",
            0,
        ),
        number("area_ha", "hectare", "area cut, where length and width are known", 0, 10000),
        count("passes", "passes that count", required=True),
        flag(
            "used",
            (
                "true for the pass rows to compare by block: of weighed and mapped ones, those of which "
                "both strips have more blocks; null where pass is 'all'"
            ),
        ),
        replace(
            CALIBRATION,
            meaning=(
                "weighed over mapped yield of both strips together: what this mapped pass is multiplied "
                "by before it is compared; null where pass is 'all', of weighed passes, and without both"
            ),
        ),
        flag(
            "methods_disagree",
            "true where scale wagon and yield map differ by more than their errors; null where there is only one",
        ),
        *completeness("passes that count as a share of those recorded"),
    ),
    compared=Compared.ALONE,
)
