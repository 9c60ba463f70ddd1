"""ground_looseness_change: is the ground still loose, over all fields and years since the work."""

import numpy as np
import polars as pl

from schemas import generated
from schemas.tables.trial.ground_looseness_change import MEASURES, TABLE
from transforms.trial.methods.fade_line import Fade, fade
from transforms.trial.methods.family_verdict import adjusted
from transforms.trial.methods.shared_check import in_fields
from transforms.trial.methods.trial_statistics import CONFIDENCE, Interval, t_interval

LOOSE_IS = {"cone index": "less", "infiltration": "more", "fuel": "less", "speed": "more"}
LEAST_FIELDS = 3  # under which ground that differs anyway looks like loose ground
LIMITS = (
    "Cone index falls as soil gets wetter: push both strips on the same day, near field capacity. Fuel "
    "and speed also depend on soil water, tires and the operator. Evidence from one farm, not advice."
)


def derive(ground_looseness: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Fit a line over the years since the work to treated against check, one for each measure.

    The line is of the logarithm of the ratio treated by check (of fuel and speed: by ground never
    worked); where the ratio before any work is known, its logarithm is taken off first. It allows for
    the field-years of a field being alike (``fade_line``), so ground that differs anyway is scatter
    between fields; an interval is never narrower than Student's t with the field-years less the line's
    coefficients. The verdict is on the last year seen, from three fields on, and allows for the four
    measures (Benjamini-Hochberg); the change with each year needs four field-years.
    """
    if ground_looseness.is_empty():
        return generated.empty(TABLE)
    ground_looseness = in_fields(ground_looseness, comparison)
    rows = [
        {"practice": practice, "measure": measure, **row}
        for (practice,), group in ground_looseness.sort("field", "operation_day", "year").group_by(
            "practice", maintain_order=True
        )
        for measure in MEASURES
        if (row := _of_measure(group, measure))
    ]
    out = pl.DataFrame(rows, schema=generated.polars_schema(TABLE), orient="row")
    out = out.with_columns(pl.col(pl.Float64).fill_nan(None))
    return generated.conform(_judged(out), TABLE).sort(TABLE.key)


def _of_measure(group: pl.DataFrame, measure: str) -> dict[str, object]:
    """One row without its key; empty if nobody measured it."""
    name = measure.replace(" ", "_")
    measured = {
        "cone_index": pl.col("cone_to_cm").is_not_null()
        | pl.col("reason").str.contains("cone index"),
        "infiltration": pl.col("infiltration_unit").is_not_null(),
        "fuel": pl.col("fuel_l_ha").is_not_null(),
        "speed": pl.col("speed_km_h").is_not_null(),
    }[name]
    seen = group.filter(measured.fill_null(False))
    if seen.is_empty():
        return {}
    before = f"{name}_before_pct"
    start = _log(before).fill_null(0.0) if before in seen.columns else pl.lit(0.0)
    field_year = ["field", "operation_day", "year"]
    of_all = seen.select(field_year).n_unique()
    known = (
        seen.select(*field_year, value=_log(f"{name}_pct") - start)
        .filter(pl.col("value").is_finite())
        # several strips of one field are seen once
        .group_by(field_year, maintain_order=True)
        .agg(pl.col("value").mean())
    )
    fields = known["field"].n_unique()
    line = fade(known["value"], np.full(known.height, np.nan), known["year"], known["field"])
    row: dict[str, object] = {
        "loose_is": LOOSE_IS[measure],
        "field_years": known.height,
        "fields": fields,
        "last_year": known["year"].max(),
        "limits": LIMITS,
        "coverage": known.height / of_all,
    }
    enough = line is not None and fields >= LEAST_FIELDS
    reasons = (
        f"{of_all - known.height} of {of_all} field-years cannot be compared"
        if known.height < of_all
        else "",
        ""
        if enough
        else f"no verdict under three fields (fields: {fields}, field-years: {known.height})",
        ""
        if line is None or line.sloped
        else "the change with the years is not known yet: it takes four field-years",
    )
    row |= {
        "partial": known.height < of_all or not enough,
        "reason": "; ".join(filter(None, reasons)) or None,
    }
    return row if line is None else row | _line(line, known.height, enough)


def _log(pct: str) -> pl.Expr:
    return (1 + pl.col(pct) / 100).log()


def _line(line: Fade, field_years: int, enough: bool) -> dict[str, object]:
    """The last year's value and the yearly change, with their intervals, in percent."""
    found: dict[str, object] = {}
    if enough:
        last = _cautious(line, [1.0, line.last - 1.0] if line.sloped else [1.0], field_years)
        found |= _in_percent("last_year", last) | {"p": last.p}
    if line.sloped:
        found |= _in_percent("change", _cautious(line, [0.0, 1.0], field_years))
    return found


def _cautious(line: Fade, at: list[float], field_years: int) -> Interval:
    """The line's interval, or Student's t on its error where that is wider.

    With four field-years of three fields the line's own interval misses the truth in one case of ten
    (simulated, fields three times to a third as unlike as years); t brings it under one in twenty.
    """
    own = line.fit.at(at)
    student = t_interval(own.mean, own.se, field_years - len(at))
    return max(own, student, key=lambda one: one.high - one.low)


def _in_percent(stem: str, log_ratio: Interval) -> dict[str, object]:
    """An interval of logarithms as percent, by column."""
    ends = {"": log_ratio.mean, "_low": log_ratio.low, "_high": log_ratio.high}
    return {f"{stem}{end}_pct": 100 * float(np.expm1(one)) for end, one in ends.items()}


def _judged(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the verdicts, in the direction that shows loose ground."""
    rows = rows.with_columns(p_adjusted=adjusted("p", "practice"))
    way = pl.when(pl.col("loose_is") == "less").then(-1).otherwise(1)
    low, high = pl.col("change_low_pct"), pl.col("change_high_pct")
    changes = pl.when(low > 0).then(way).when(high < 0).then(-way).otherwise(0)
    return rows.with_columns(
        verdict=pl.when(pl.col("p_adjusted").is_null())
        .then(pl.lit("too few"))
        .when(pl.col("p_adjusted") > 1 - CONFIDENCE)
        .then(pl.lit("not shown"))
        .when(way * pl.col("last_year_pct") > 0)
        .then(pl.lit("still loose"))
        .otherwise(pl.lit("harder")),
        change_verdict=pl.when(changes > 0)
        .then(pl.lit("loosening"))
        .when(changes < 0)
        .then(pl.lit("settling"))
        .otherwise(pl.lit("cannot tell yet")),
    )
