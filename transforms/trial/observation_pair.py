"""observation_pair: what a person observed on a day, treated beside check."""

import polars as pl

from schemas import generated
from schemas.tables.trial.observation_pair import TABLE
from transforms.methods.strips import in_strip
from transforms.trial.methods.since_operation import treated_operations

# There is nothing else to pair.
NEEDS = "observation"
KEY = ["field", "day", "what", "layer", "unit"]
DAYS_IN_YEAR = 365.25


def derive(
    observation: pl.DataFrame,
    operation: pl.DataFrame,
    field: pl.DataFrame,
    root_front_day: pl.DataFrame,
) -> pl.DataFrame:
    """Put the observations of both strips of one field, day, quantity, depth and unit side by side.

    Values of one quantity are compared in the unit that most of its rows on the farm are written in;
    the others are converted (``base_unit``). A unit that is not known is compared with itself only.
    Several places of a strip are averaged, and their scatter gives the error of the difference where
    both strips have two or more. Beside an observation of roots stands the root front that the probes saw that day.
    Observations of the whole field, and rows without a value, are not compared.
    """
    seen = _in_one_unit(
        observation.filter(
            pl.col("value").is_not_null() & pl.col("strip").is_in(["treated", "check"])
        ).with_columns(pl.col("unit").str.to_lowercase())
    )
    if seen.is_empty():
        return generated.empty(TABLE)
    pairs = seen.group_by(KEY).agg(
        pl.col("depth_cm").first(),
        *(in_strip(pl.col("value"), side).mean().alias(f"{side}_value") for side in _SIDES),
        *(
            in_strip(pl.col("value"), side).count().cast(pl.Int64).alias(f"{side}_places")
            for side in _SIDES
        ),
        *(
            (in_strip(pl.col("value"), side).var() / in_strip(pl.col("value"), side).count()).alias(
                f"_{side}_var"
            )
            for side in _SIDES
        ),
    )
    rows = _with_work(pairs, operation, field)
    for side in _SIDES:
        rows = rows.join(_front(root_front_day, side), on=["field", "day"], how="left")
    return generated.conform(_compared(rows).select(TABLE.names), TABLE).sort(TABLE.key)


_SIDES = ("treated", "check")


def _in_one_unit(seen: pl.DataFrame) -> pl.DataFrame:
    """Convert the values of each quantity to the unit most used for it, of equals the first in the alphabet."""
    same = ["what", "base_unit"]
    most = (
        seen.filter(pl.col("base_unit").is_not_null())
        .group_by(*same, "unit")
        .agg(pl.len(), to=pl.col("unit_factor").first())
        .sort(*same, pl.col("len"), "unit", descending=[False, False, True, False])
        .unique(same, keep="first", maintain_order=True)
        .select(*same, "to", most_used="unit")
    )
    factor = pl.col("unit_factor") / pl.col("to")
    return seen.join(most, on=same, how="left").with_columns(
        value=pl.col("value") * factor.fill_null(1.0), unit=pl.coalesce("most_used", "unit")
    )


def _with_work(pairs: pl.DataFrame, operation: pl.DataFrame, field: pl.DataFrame) -> pl.DataFrame:
    """Add the last work of the trial before the day, and whether the check had been worked by then."""
    practice = field.select("field", "practice")
    treated = treated_operations(operation, field).select("field", operation_day="day")
    checked = (
        operation.filter(pl.col("strip") == "check")
        .join(practice, on=["field", "practice"], how="semi")
        .group_by("field")
        .agg(check_day=pl.col("day").min())
    )
    last = (
        pairs.select("field", "day")
        .unique()
        .join(treated, on="field")
        .filter(pl.col("operation_day") <= pl.col("day"))
        .group_by("field", "day")
        .agg(pl.col("operation_day").max())
    )
    return (
        pairs.join(practice, on="field", how="left")
        .join(last, on=["field", "day"], how="left")
        .join(checked, on="field", how="left")
        .with_columns(
            years_since=(pl.col("day") - pl.col("operation_day")).dt.total_days() / DAYS_IN_YEAR,
            check_worked=(pl.col("check_day") <= pl.col("day")).fill_null(False),
        )
    )


def _front(root_front_day: pl.DataFrame, side: str) -> pl.DataFrame:
    return (
        root_front_day.filter(pl.col("strip") == side)
        .group_by("field", "day")
        .agg(pl.col("front_cm").mean().alias(f"{side}_front_cm"))
    )


def _compared(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the difference, its error and what is missing."""
    treated, check = pl.col("treated_value"), pl.col("check_value")
    roots = pl.col("what").str.contains("root")
    missing = (
        pl.when(treated.is_null())
        .then(pl.lit("only the check strip was observed"))
        .when(check.is_null())
        .then(pl.lit("only the treated strip was observed"))
    )
    return rows.with_columns(
        difference=treated - check,
        difference_se=(pl.col("_treated_var") + pl.col("_check_var")).sqrt(),
        difference_pct=pl.when(check > 0).then(100 * (treated / check - 1)),
        **{f"{side}_front_cm": pl.when(roots).then(f"{side}_front_cm") for side in _SIDES},
        coverage=(treated.is_not_null().cast(pl.Float64) + check.is_not_null()) / 2,
        partial=treated.is_null() | check.is_null(),
        reason=missing,
    )
