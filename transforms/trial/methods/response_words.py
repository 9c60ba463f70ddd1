"""What a response does not show, and what it lacks, in plain words."""

import polars as pl

from transforms.methods.texts import joined
from transforms.trial.methods.trial_statistics import CONFIDENCE

LEAST_DF = (
    1.5  # of an error that a verdict may go by: two of the blocks, less what the ground takes
)

# What the interval holds of the ground, by how the sides were chosen.
BY_LOT = "Sides were randomized in each block, so the blocks show how much the ground differs."
REPEATED = (
    "The strips come several times over the field and each block is a pair of neighboring strips, so the "
    "blocks show how much the ground differs."
)
CROSSED = (
    "The combine drove across the strips. A block is neighboring crossings over as long a way as the "
    "compared parts lie apart; what was cut near an outline is left out, where the grain of both sides mixes."
)
ONCE = (
    "Sides were randomized once for the field. The interval holds how much two strips of ground differ "
    "by themselves, as published uniformity trials and this farm's own seasons show it."
)
CALIBRATED = (
    "Compared by yield map: both strips were weighed too, and the weighed passes correct the map by one "
    "factor for both. The scatter is that of the mapped passes."
)
NOT_BY_LOT = (
    "The strips were not randomized. The interval holds how much two strips of ground differ by "
    "themselves, as published uniformity trials and this farm's own seasons show it."
)


def verdict(p: str, untested: str) -> pl.Expr:
    """Return gain or loss, not shown, or ``untested``, from the column ``p`` and the response."""
    return (
        pl.when(pl.col(p).is_null())
        .then(pl.lit(untested))
        .when(pl.col(p) > 1 - CONFIDENCE)
        .then(pl.lit("not shown"))
        .when(pl.col("response_kg_ha") > 0)
        .then(pl.lit("gain"))
        .otherwise(pl.lit("loss"))
    )


def with_verdict(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the verdict of each row of ``response``.

    A season before the work tests nothing, nor does a check strip that was worked too. An error of
    less than ``LEAST_DF`` degrees of freedom cannot tell yet.
    """
    no_test = pl.col("operation_day").is_null() | pl.col("check_worked").fill_null(False)
    return rows.with_columns(
        verdict=pl.when(pl.col("response_kg_ha").is_null())
        .then(pl.lit(None, pl.String))
        .when(no_test)
        .then(pl.lit("not tested"))
        .when(pl.col("p").is_not_null() & (pl.col("response_df") < LEAST_DF))
        .then(pl.lit("cannot tell yet"))
        .otherwise(verdict("p", "not tested"))
    )


def with_limits_and_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add limits, reason, coverage and partial to the rows of ``response``."""
    missing_side = (
        pl.when(pl.col("whole_treated").is_null() & pl.col("whole_check").is_null())
        .then(pl.lit("no yield could be made for either strip"))
        .when(pl.col("whole_check").is_null())
        .then(pl.lit("only the treated strip has a yield"))
        .otherwise(pl.lit("only the check strip has a yield"))
    )
    tested = pl.col("p").is_not_null()
    limits = joined(
        pl.when(pl.col("randomized") == "each block")
        .then(pl.lit(BY_LOT))
        .when(pl.col("block_kind") == "strips")
        .then(pl.lit(REPEATED))
        .when(pl.col("randomized") == "each field")
        .then(pl.lit(ONCE))
        .otherwise(pl.lit(NOT_BY_LOT)),
        pl.when(pl.col("block_kind") == "crossings").then(pl.lit(CROSSED)),
        pl.when(pl.col("calibration").is_not_null()).then(pl.lit(CALIBRATED)),
        pl.when(pl.col("blocks") == 0)
        .then(pl.lit("No passes pair up across the border: a difference without a test."))
        .when(pl.col("blocks") == 1)
        .then(pl.lit("One pair of passes: a difference without a test.")),
        pl.when(tested & (pl.col("blocks") < 4)).then(
            pl.format("{} pairs of passes: only a large difference can be found.", "blocks")
        ),
        pl.when(pl.col("most_influential_share") > 1).then(
            pl.format(
                "Without block {} the difference points the other way.", "most_influential_block"
            )
        ),
        pl.when(pl.col("ground_kg_ha").is_not_null())
        .then(
            pl.lit(
                "The strips were harvested before the work too: the part of that difference which "
                "usually comes back is taken off the response."
            )
        )
        .when(pl.col("operation_day").is_not_null())
        .then(pl.lit("No harvest from before the work tells the strips apart.")),
        pl.when(pl.col("verdict") == "cannot tell yet").then(
            pl.lit(
                "Too few passes have told so far how much blocks scatter here: one more season, or "
                "a third pair of passes, gives a verdict."
            )
        ),
        separator=" ",
    )
    unpaired = pl.col("compared").fill_null(0) < pl.col("recorded").fill_null(0)
    reason = joined(
        pl.when(pl.col("response_kg_ha").is_null()).then(missing_side),
        pl.when(pl.col("check_worked").fill_null(False)).then(
            pl.lit("the check strip was worked too, so this is no test of the practice")
        ),
        pl.when(pl.col("operation_day").is_null() & pl.col("practice").is_not_null()).then(
            pl.lit("no operation on the treated strip is on record before this season")
        ),
        pl.when(pl.col("practice").is_null()).then(
            pl.lit("the season or the field is not in the field book")
        ),
        pl.when(pl.col("response_kg_ha").is_not_null() & unpaired).then(
            pl.lit("some passes have no partner across the border and were left out")
        ),
        pl.when(pl.col("methods_disagree").fill_null(False)).then(
            pl.lit("scale wagon and yield map disagree by more than their errors")
        ),
        pl.when(pl.col("yield_partial").fill_null(False)).then(
            pl.lit("a strip's yield is partial")
        ),
    )
    coverage = pl.when(pl.col("recorded") > 0).then(
        (pl.col("compared").fill_null(0) / pl.col("recorded")).clip(0, 1)
    )
    return rows.with_columns(
        limits=pl.when(pl.col("response_kg_ha").is_not_null()).then(limits),
        reason=reason,
        coverage=coverage.fill_null(0.0),
        partial=pl.col("response_kg_ha").is_null()
        | unpaired
        | pl.col("check_worked").fill_null(False)
        | pl.col("methods_disagree").fill_null(False)
        | pl.col("yield_partial").fill_null(False),
    )
