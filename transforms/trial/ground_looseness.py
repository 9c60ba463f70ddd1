"""ground_looseness: cone index, infiltration, fuel and speed by year since the work."""

import polars as pl

from schemas import generated
from schemas.tables.trial.ground_looseness import TABLE
from transforms.methods.strips import in_strip
from transforms.methods.texts import joined
from transforms.trial.methods.since_operation import treated_operations

DAYS_IN_YEAR = 365.25
# Draft, and with it fuel and speed, goes with depth: beyond this two workings are not compared.
DEPTH_ALIKE = 0.1  # of the depth compared with; common practice, no source
WORK = ["field", "practice", "operation_day"]


def derive(
    operation_fuel: pl.DataFrame,
    penetrometer: pl.DataFrame,
    observation_pair: pl.DataFrame,
    field: pl.DataFrame,
) -> pl.DataFrame:
    """Put what shows loose ground side by side, by field, working and year since it.

    Cone index (MPa): median over places by depth, mean from the surface to the depth of the working,
    at depths where both strips were pushed on that day. Infiltration: observations of that word, in
    their unit. Both are treated against check; beside them stands the difference that was there before
    any work. Neither counts after the check strip was worked too. Fuel (L/ha) and speed (km/h) of a
    later working are compared with ground never worked: the check strip's first working if it was done
    on that day, else the field's own first. Draft grows with depth (ASABE D497, from memory), so
    workings that differ by more than a tenth in depth are not compared.
    """
    works = (
        treated_operations(operation_fuel, field)
        .select("field", "practice", "depth_cm", "fuel_l_ha", "speed_km_h", operation_day="day")
        .sort("field", "operation_day")
    )
    if works.is_empty():
        return generated.empty(TABLE)
    cone, infiltration = _cone(penetrometer, works, operation_fuel), _infiltration(observation_pair)
    rows = _workings(operation_fuel, works)
    for part in (_cone_by_year(cone), _infiltration_by_year(infiltration)):
        rows = rows.join(part, on=[*WORK, "year"], how="full", coalesce=True)
    for name, days in (("cone_index", cone), ("infiltration", infiltration)):
        rows = rows.join(_before(days, name), on=["field", "practice"], how="left")
    return generated.conform(_compared(rows).select(TABLE.names), TABLE).sort(TABLE.key)


def _cone(
    penetrometer: pl.DataFrame, works: pl.DataFrame, operation_fuel: pl.DataFrame
) -> pl.DataFrame:
    """Mean cone index of both strips by day, and the working before that day; null before any."""
    first = works.group_by("field", "practice", maintain_order=True).agg(
        first_cm=pl.col("depth_cm").first()
    )
    checked = _of_check(operation_fuel, works).group_by("field").agg(check_day=pl.col("day").min())
    days = (
        penetrometer.select("field", "day")
        .unique()
        .sort("day")
        .join_asof(
            works.select("field", "operation_day", "depth_cm"),
            left_on="day",
            right_on="operation_day",
            by="field",
            allow_exact_matches=False,
            coalesce=False,
            check_sortedness=False,
        )
        .join(first, on="field")
        .join(checked, on="field", how="left")
        .filter((pl.col("day") <= pl.col("check_day")).fill_null(True))
    )
    cone, depth = pl.col("cone_index_mpa"), pl.col("cone_cm")
    by_depth = penetrometer.group_by("field", "day", cone_cm="depth_cm").agg(
        treated=in_strip(cone, "treated").median(), check=in_strip(cone, "check").median()
    )
    both = pl.col("treated").is_not_null() & pl.col("check").is_not_null()
    return (
        days.join(by_depth, on=["field", "day"])
        .filter((depth <= pl.coalesce("depth_cm", "first_cm")).fill_null(True))
        .group_by(*WORK, "day")
        .agg(pl.col("treated", "check").filter(both).mean(), to=depth.filter(both).max())
    )


def _of_check(operation_fuel: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """The check strip's own workings by the practice on trial."""
    return operation_fuel.filter(pl.col("strip") == "check").join(
        works, on=["field", "practice"], how="semi"
    )


def _infiltration(observation_pair: pl.DataFrame) -> pl.DataFrame:
    """Infiltration of both strips by day, in the unit that comes first; its depths averaged."""
    seen = observation_pair.filter(
        pl.col("what").str.contains("infiltration", literal=True)
        & pl.col("practice").is_not_null()
        & ~pl.col("check_worked").fill_null(False)
    ).sort("unit")
    return (
        seen.filter(pl.col("unit") == pl.col("unit").first().over("field"))
        .group_by(*WORK, "day")
        .agg(
            treated=pl.col("treated_value").mean(),
            check=pl.col("check_value").mean(),
            unit=pl.col("unit").first(),
        )
    )


def _year(day: str) -> pl.Expr:
    """The year since the working, the first is 1."""
    days = (pl.col(day) - pl.col("operation_day")).dt.total_days()
    return ((days / DAYS_IN_YEAR).floor() + 1).cast(pl.Int64)


def _cone_by_year(cone: pl.DataFrame) -> pl.DataFrame:
    after = cone.filter(pl.col("operation_day").is_not_null())
    return after.group_by(*WORK, year=_year("day")).agg(
        cone_days=pl.col("day").n_unique().cast(pl.Int64),
        treated_cone_index_mpa=pl.col("treated").mean(),
        check_cone_index_mpa=pl.col("check").mean(),
        cone_to_cm=pl.col("to").max(),
    )


def _infiltration_by_year(infiltration: pl.DataFrame) -> pl.DataFrame:
    after = infiltration.filter(pl.col("operation_day").is_not_null())
    return after.group_by(*WORK, year=_year("day")).agg(
        infiltration_days=pl.col("day").n_unique().cast(pl.Int64),
        treated_infiltration=pl.col("treated").mean(),
        check_infiltration=pl.col("check").mean(),
        infiltration_unit=pl.col("unit").first(),
    )


def _before(days: pl.DataFrame, name: str) -> pl.DataFrame:
    """Treated against check on the days before any work, their mean."""
    untouched = days.filter(pl.col("operation_day").is_null())
    return untouched.group_by("field", "practice").agg(
        _ratio_pct("treated", "check").mean().alias(f"{name}_before_pct")
    )


def _workings(operation_fuel: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """Each working but the first beside ground never worked, under the working before it."""
    numbers = ("depth_cm", "fuel_l_ha", "speed_km_h")
    check = _of_check(operation_fuel, works)
    check = check.filter(pl.col("day") == pl.col("day").min().over("field", "practice"))
    line = ["field", "practice"]
    later = works.with_columns(
        next_working_day="operation_day",
        operation_day=pl.col("operation_day").shift().over(line, order_by="operation_day"),
        **{f"first_{n}": pl.col(n).first().over(line, order_by="operation_day") for n in numbers},
    ).filter(pl.col("operation_day").is_not_null())
    rows = later.join(
        check.select(
            *line, *(pl.col(n).alias(f"check_{n}") for n in numbers), next_working_day="day"
        ),
        on=[*line, "next_working_day"],
        how="left",
    )
    beside = pl.any_horizontal(pl.col("check_fuel_l_ha", "check_speed_km_h").is_not_null())
    chosen = {n: pl.when(beside).then(f"check_{n}").otherwise(f"first_{n}") for n in numbers}
    apart = (pl.col("depth_cm") - chosen["depth_cm"]).abs() > DEPTH_ALIKE * chosen["depth_cm"]
    return rows.select(
        *WORK,
        "next_working_day",
        "fuel_l_ha",
        "speed_km_h",
        year=_year("next_working_day"),
        worked_against=pl.when(beside)
        .then(pl.lit("check strip on that day"))
        .otherwise(pl.lit("first working")),
        fuel_against_l_ha=chosen["fuel_l_ha"],
        speed_against_km_h=chosen["speed_km_h"],
        depth_apart=apart.fill_null(False),
    )


def _ratio_pct(value: str, against: str) -> pl.Expr:
    both = (pl.col(value) > 0) & (pl.col(against) > 0)
    return pl.when(both).then(100 * (pl.col(value) / pl.col(against) - 1))


def _compared(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the percentages, coverage and reasons."""
    alike = ~pl.col("depth_apart").fill_null(False)
    ratios = {
        "cone_index": _ratio_pct("treated_cone_index_mpa", "check_cone_index_mpa"),
        "infiltration": _ratio_pct("treated_infiltration", "check_infiltration"),
        "fuel": pl.when(alike).then(_ratio_pct("fuel_l_ha", "fuel_against_l_ha")),
        "speed": pl.when(alike).then(_ratio_pct("speed_km_h", "speed_against_km_h")),
    }
    measured = {
        "cone_index": pl.col("cone_days").is_not_null(),
        "infiltration": pl.col("infiltration_days").is_not_null(),
        "fuel": pl.col("fuel_l_ha").is_not_null(),
        "speed": pl.col("speed_km_h").is_not_null(),
    }
    known = {name: ratio.is_not_null() for name, ratio in ratios.items()}
    working = pl.col("next_working_day").is_not_null()
    return rows.with_columns(
        **{f"{name}_pct": ratio for name, ratio in ratios.items()},
        days_seen=pl.sum_horizontal(
            pl.col("cone_days", "infiltration_days").fill_null(0), working.cast(pl.Int64)
        ),
        coverage=pl.sum_horizontal(one.cast(pl.Float64) for one in known.values())
        / pl.max_horizontal(
            pl.sum_horizontal(one.cast(pl.Float64) for one in measured.values()), 1.0
        ),
        reason=joined(
            *(
                pl.when(measured[name] & ~known[name]).then(pl.lit(f"{words} in one strip only"))
                for name, words in (("cone_index", "cone index"), ("infiltration", "infiltration"))
            ),
            pl.when(working & ~alike).then(
                pl.lit(
                    "the workings differ in depth by more than a tenth: fuel and speed are not compared"
                )
            ),
            pl.when(working & alike & ~(known["fuel"] & known["speed"])).then(
                pl.lit("fuel or speed of this working or of ground never worked is not known")
            ),
        ),
    ).with_columns(partial=pl.col("coverage") < 1)
