"""pass_doubt: passes of the field book that look wrong, to be corrected before the season is closed."""

import polars as pl

from schemas import generated
from schemas.tables.trial.pass_doubt import TABLE

WIDTH_SHARE = 0.1  # a pass so much wider or narrower than most. Common practice, no source.
SEASON = ["field", "season"]


def derive(harvest_pass: pl.DataFrame) -> pl.DataFrame:
    """Rows for passes without moisture, of an unusual width, or weighed the same twice in a season."""
    width, same = pl.col("width_m"), ["mass_kg", "length_m", "moisture_pct"]
    odd = (width / width.median().over(SEASON) - 1).abs() > WIDTH_SHARE
    twice = pl.col("mass_kg").is_not_null() & (pl.len().over(*SEASON, *same) > 1)
    rows = harvest_pass.with_columns(
        doubt=pl.when(pl.col("moisture_pct").is_null())
        .then(pl.lit("no moisture"))
        .when(odd)
        .then(pl.lit("another width than most passes"))
        .when(twice)
        .then(pl.lit("the same mass, length and moisture as another pass"))
    )
    rows = rows.filter(~pl.col("left_out").fill_null(False)).drop_nulls("doubt")
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)
