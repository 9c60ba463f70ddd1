"""observation_pooled: what all site-years say together of a quantity that people observed."""

import polars as pl

from schemas import generated
from schemas.tables.trial.observation_pooled import TABLE
from transforms.trial.methods.family_verdict import with_more_or_less
from transforms.trial.methods.shared_check import in_fields, once
from transforms.trial.methods.site_years import LEAST, counted_by, widest
from transforms.trial.methods.trial_pooling import pooled
from transforms.trial.methods.trial_statistics import wilson

KEY = ["practice", "what", "layer", "unit"]
LIMITS = (
    "Evidence from one farm, not advice. Whoever observed knew which strip was which: a lasting "
    "difference of the ground, or of the eye, counts as an effect."
)


def derive(observation_pair: pl.DataFrame, comparison: pl.DataFrame) -> pl.DataFrame:
    """Pool treated minus check of each observed quantity over the fields and years after an operation.

    Days of one field in one calendar year are averaged to one site-year, with the error of their
    places where all have one. The statistics are those of ``response_pooled``: REML with the
    Hartung-Knapp interval, the widest of those by site-years, fields and years (``site_years``), the
    prediction range, Wilson's interval for how often the treated strip had more, nothing averaged
    under three site-years. The verdict allows for the number of quantities and depths of the practice
    (Benjamini-Hochberg). Observations after the check was worked too are left out.
    """
    after = observation_pair.filter(
        pl.col("operation_day").is_not_null()
        & pl.col("practice").is_not_null()
        & ~pl.col("check_worked").fill_null(False)
    )
    if after.is_empty():
        return generated.empty(TABLE)
    variance = pl.col("difference_se") ** 2
    both = pl.col("difference").is_not_null()
    site_years = (
        after.with_columns(season=pl.col("day").dt.year().cast(pl.Int64))
        .group_by(*KEY, "field", "season")
        .agg(
            pl.col("depth_cm").first(),
            value=pl.col("difference").mean(),
            error=pl.when(variance.filter(both).null_count() == 0).then(
                variance.filter(both).sum().sqrt() / both.sum()
            ),
        )
        .sort(*KEY, "field", "season")
    )
    site_years = once(in_fields(site_years, comparison), KEY[1:], ["value"], ["error"])
    rows = [
        {**dict(zip(KEY, name, strict=True)), **_of_quantity(group)}
        for name, group in site_years.group_by(KEY, maintain_order=True)
    ]
    out = pl.DataFrame(rows, schema=generated.polars_schema(TABLE), orient="row")
    out = out.with_columns(pl.col(pl.Float64).fill_nan(None))
    return generated.conform(with_more_or_less(out, pl.col("difference")), TABLE).sort(TABLE.key)


def _of_quantity(group: pl.DataFrame) -> dict[str, object]:
    """One row without its key: counts always, averages from three site-years on."""
    known = group.filter(pl.col("value").is_not_null())
    n, seen = known.height, group.height
    ahead = int((known["value"] > 0).sum())
    reasons = (
        f"one strip alone was observed in {seen - n} of {seen} site-years" if n < seen else "",
        f"{n} site-years: counted, not averaged" if n < LEAST else "",
    )
    row: dict[str, object] = {
        "depth_cm": group["depth_cm"][0],
        "site_years": n,
        "fields": known["field"].n_unique(),
        "ahead": ahead,
        "members": "; ".join(f"{f} {s}" for f, s in known.select("field", "season").iter_rows())
        or None,
        "limits": LIMITS,
        "coverage": n / seen,
        "partial": n < seen or n < LEAST,
        "reason": "; ".join(filter(None, reasons)) or None,
    }
    if n:
        low, high = wilson(ahead, n)
        row |= {"ahead_share": ahead / n, "ahead_low": low, "ahead_high": high}
    return row | _averages(known) if n >= LEAST else row


def _averages(known: pl.DataFrame) -> dict[str, object]:
    found = pooled(known["value"], known["error"].fill_null(float("nan")).to_numpy() ** 2)
    by, wide = widest(counted_by(known, found.cautious))
    return {
        "difference": found.mean.mean,
        "difference_low": wide.low,
        "difference_high": wide.high,
        "next_low": found.predicted_low,
        "next_high": found.predicted_high,
        "counted_by": by,
        "p": wide.p,
    }
