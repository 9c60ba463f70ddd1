"""What a difference in protein between the strips is worth at a premium by percentage point.

The price had is that of the check strip's grain, so the treated strip's whole yield earns the premium
for what its protein is above the check's (or loses it). Protein is the mean of the passes of a strip,
its error from their scatter; with one sample a strip there is no error, and the premium is not counted.
"""

import polars as pl

from transforms.methods.strips import in_strip

SITE_YEAR = ["field", "season"]


def by_season(strip_yield: pl.DataFrame) -> pl.DataFrame:
    """Return ``protein_difference_pct`` and ``protein_difference_se_pct`` by field and season.

    Treated minus check, in percentage points; a season without an error in both strips has no row.
    """
    whole = strip_yield.filter((pl.col("pass") == "all") & (pl.col("method") == "combined"))
    protein, se = pl.col("protein_pct"), pl.col("protein_se_pct")
    return (
        whole.group_by(SITE_YEAR)
        .agg(
            protein_difference_pct=in_strip(protein, "treated").first()
            - in_strip(protein, "check").first(),
            protein_difference_se_pct=(
                in_strip(se, "treated").first() ** 2 + in_strip(se, "check").first() ** 2
            ).sqrt(),
        )
        .drop_nulls()
    )


def value() -> pl.Expr:
    """Worth of the protein's difference, in currency per hectare; null without premium or protein."""
    return _earning() * pl.col("protein_difference_pct")


def variance() -> pl.Expr:
    """The variance of that worth, from the protein's error."""
    return (_earning() * pl.col("protein_difference_se_pct")) ** 2


def _earning() -> pl.Expr:
    return pl.col("treated_kg_ha") * pl.col("protein_premium_per_kg")
