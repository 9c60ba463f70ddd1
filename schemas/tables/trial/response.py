"""Treated minus check of one site-year."""

from schemas.shared_columns import (
    BLOCK_KIND,
    CALIBRATION,
    CROP,
    FIELD,
    LAST_OPERATION_DAY,
    PRACTICE,
    RESPONSE_PCT,
    SEASON,
    completeness,
    interval,
    p_value,
)
from schemas.table import Compared, Table, Tier, count, flag, number, text, unlimited_share

TABLE = Table(
    "response",
    Tier.DERIVED,
    "one site-year: treated minus check yield, with what the trial can and cannot tell",
    (
        FIELD,
        SEASON,
        CROP,
        PRACTICE,
        LAST_OPERATION_DAY,
        count("years_since", "harvests since that operation, the first is 1", low=1),
        flag("check_worked", "true where the check strip was worked by then too: no test any more"),
        count("blocks", "pairs of passes compared across the border", required=True),
        text("method", "how the compared passes were measured"),
        BLOCK_KIND,
        CALIBRATION,
        number("treated_kg_ha", "kg/ha", "yield of the treated strip over the blocks", 0, 60000),
        number("check_kg_ha", "kg/ha", "yield of the check strip over the blocks", 0, 60000),
        number(
            "response_kg_ha",
            "kg/ha",
            "treated minus check, mean over the blocks, less ground_kg_ha where it is known",
        ),
        RESPONSE_PCT,
        number(
            "response_se_kg_ha",
            "kg/ha",
            (
                "standard error, the scatter between blocks drawn toward that of all site-years of "
                "the practice and method up to this season, with the ground's part; verdict, "
                "interval, pooling and money go by it"
            ),
            0,
        ),
        number("response_df", "1", "degrees of freedom of that error", 0),
        *interval("response", "kg/ha", "the 95 % t interval, the one that the verdict goes by"),
        *interval("response", "percent", "the same in percent of the check strip's yield"),
        p_value("p", "chance of so large a difference between strips that do not differ"),
        number("own_se_kg_ha", "kg/ha", "standard error from this site-year's own blocks alone", 0),
        number("own_df", "1", "degrees of freedom of that", 0),
        number(
            "least_difference_kg_ha",
            "kg/ha",
            "least significant difference: a smaller one could not have been called a response",
            0,
        ),
        number(
            "findable_difference_kg_ha",
            "kg/ha",
            "true difference that such a trial finds four times out of five",
            0,
        ),
        text("most_influential_block", "the block that the difference leans on most"),
        unlimited_share(
            "most_influential_share",
            "its share of the sum of the block differences; above 1 where the others together point the other way",
        ),
        number("without_most_influential_kg_ha", "kg/ha", "the response without that block"),
        text(
            "randomized",
            "whether sides were drawn by lot: once a field or in each block; null where the book says nothing",
            one_of=("no", "each field", "each block"),
        ),
        number(
            "ground_kg_ha",
            "kg/ha",
            (
                "what the seasons before the work tell of the ground between the strips, taken off the "
                "response; null where no season before was harvested"
            ),
        ),
        number(
            "ground_se_kg_ha",
            "kg/ha",
            (
                "the ground's part of the standard error: strips differ by more than their blocks tell "
                "(published uniformity trials, and the farm's own site-years)"
            ),
            0,
        ),
        number(
            "lasting_se_kg_ha",
            "kg/ha",
            "of that, the part that all seasons of the field share",
            0,
        ),
        number(
            "before_kg_ha",
            "kg/ha",
            "mean treated minus check of the seasons before the first operation: a difference of the ground",
        ),
        text(
            "verdict",
            "what the trial says; 'not shown' is not 'no effect'",
            one_of=("gain", "loss", "not shown", "cannot tell yet", "not tested"),
        ),
        text("limits", "what the trial cannot tell, in plain words"),
        *completeness("compared passes as a share of the passes recorded"),
    ),
    compared=Compared.TOGETHER,
)
