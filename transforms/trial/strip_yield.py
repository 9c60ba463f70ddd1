"""Yield at market moisture, by pass and by strip, weighed and mapped.

A pass: wet mass over the area cut, brought to the crop's market moisture on its dry matter,
``yield = mass / area * (100 - moisture) / (100 - market moisture)`` (the trade's shrink equation;
an identity of dry matter, so that no handling loss is in it).

A strip: the mean of its passes weighted by their area, so total grain over total area. Its error
comes from the spread between passes; a single pass has only the error of its measurement, which
understates what a strip varies, and the row says so. Scale wagon and yield map are combined with
inverse-variance weights that are the same for both strips of a field and season: the monitor's
calibration then cannot tilt the difference between them. Which passes are compared by block, and the
factor by which weighed passes correct mapped ones: ``compared_passes`` of the methods.

The errors of measurement below are common practice, no source; farm scales and monitors differ.
"""

import polars as pl

from schemas import generated
from schemas.tables.trial.strip_yield import TABLE
from transforms.methods.normal_range import Z_95
from transforms.methods.strips import STRIPS
from transforms.methods.texts import joined
from transforms.trial.methods.compared_passes import calibrations, with_used
from transforms.trial.methods.market_moisture import at_market_moisture, gross_yield

MASS_ERROR = 0.01
LENGTH_ERROR = 0.005
WIDTH_ERROR = 0.02
MOISTURE_ERROR_PCT = 0.5
# Of a calibrated monitor against a scale, whole passes; the same for all passes of a season.
MONITOR_ERROR = 0.03
# Two kinds disagree where they differ by more than this many standard errors (two-sided 5 %).
DISAGREE = Z_95

SEASON = ["field", "season"]
STRIP = [*SEASON, "strip"]


def derive(
    harvest_pass: pl.DataFrame, mapped_pass: pl.DataFrame, season: pl.DataFrame, crop: pl.DataFrame
) -> pl.DataFrame:
    """The yields of all passes, and of both strips of every harvested season.

    A strip without a pass has a row with a null yield and the reason.
    """
    crops = season.select(*SEASON, "crop", "harvested").join(
        crop.select("crop", "market_moisture_pct"), on="crop", how="left"
    )
    booked = _from_book(harvest_pass.join(crops, on=SEASON, how="left"))
    mapped = _from_map(mapped_pass.join(crops, on=SEASON, how="left"))
    passes = _without_doubles(booked, mapped)
    methods = _by_method(passes)
    passes = with_used(passes, calibrations(methods))
    strips = pl.concat([methods, _combined(methods)], how="diagonal")
    absent = _without_yield(crops, passes, strips)
    return generated.conform(
        pl.concat(
            [
                generated.conform(
                    rows.select(pl.selectors.by_name(TABLE.names, require_all=False)), TABLE
                )
                for rows in (passes, strips, absent)
            ]
        ).sort(TABLE.key),
        TABLE,
    )


def _from_book(passes: pl.DataFrame) -> pl.DataFrame:
    """Passes of the field book at market moisture, with their error of measurement."""
    wet = pl.col("moisture_pct")
    market = pl.col("market_moisture_pct")
    relative = (
        MASS_ERROR**2
        + LENGTH_ERROR**2
        + WIDTH_ERROR**2
        + (MOISTURE_ERROR_PCT / (100 - pl.coalesce(wet, market))) ** 2
    ).sqrt()
    mapped = pl.col("method") == "yield map"
    return (
        passes.with_columns(
            gross=gross_yield(), area_ha=pl.col("length_m") * pl.col("width_m") / 10_000
        )
        .with_columns(
            yield_kg_ha=at_market_moisture(pl.col("gross"), pl.coalesce(wet, market), market)
        )
        .with_columns(
            yield_se_kg_ha=pl.col("yield_kg_ha")
            * pl.when(mapped).then(MONITOR_ERROR).otherwise(relative),
            counts=~pl.col("left_out") & pl.col("yield_kg_ha").is_not_null(),
            reason=joined(
                pl.when("left_out").then(
                    pl.concat_str(
                        pl.lit("left out"),
                        pl.coalesce(pl.lit(": ") + pl.col("why_left_out"), pl.lit("")),
                    )
                ),
                pl.when(pl.col("gross").is_null()).then(pl.lit("mass, length or width is missing")),
                pl.when(pl.col("crop").is_null()).then(
                    pl.lit("the season is not in the field book, so the crop is not known")
                ),
                pl.when(pl.col("crop").is_not_null() & market.is_null()).then(
                    pl.lit("the crop list has no market moisture for the crop")
                ),
                pl.when(wet.is_null() & pl.col("yield_kg_ha").is_not_null()).then(
                    pl.lit("moisture not given, taken as market moisture")
                ),
            ),
        )
        .with_columns(
            partial=pl.col("left_out") | pl.col("yield_kg_ha").is_null() | wet.is_null(),
            passes=pl.col("counts").cast(pl.Int64),
            coverage=pl.col("counts").cast(pl.Float64),
        )
    )


def _from_map(passes: pl.DataFrame) -> pl.DataFrame:
    """Passes made from points, already at market moisture."""
    counts = pl.col("yield_kg_ha").is_not_null()
    return passes.with_columns(
        method=pl.lit("yield map"),
        area_ha=pl.col("length_m") * pl.col("width_m") / 10_000,
        counts=counts,
        passes=counts.cast(pl.Int64),
    )


def _without_doubles(booked: pl.DataFrame, mapped: pl.DataFrame) -> pl.DataFrame:
    """All passes; where a strip's map came as points, its passes read off by hand stand aside."""
    by_hand = pl.col("method") == "yield map"
    doubled = booked.join(mapped.select(STRIP).unique(), on=STRIP, how="semi").filter(by_hand)
    rest = booked.join(doubled.select(TABLE.key), on=TABLE.key, how="anti")
    aside = doubled.with_columns(
        counts=pl.lit(False),
        passes=pl.lit(0, pl.Int64),
        coverage=pl.lit(0.0),
        partial=pl.lit(True),
        reason=joined(
            pl.col("reason"), pl.lit("the points of the yield map itself are used instead")
        ),
        **{"pass": pl.col("pass") + " (book)"},
    )
    return pl.concat([rest, aside, mapped], how="diagonal")


def _by_method(passes: pl.DataFrame) -> pl.DataFrame:
    """The strip by each method: area-weighted mean of the passes that count, and its error."""
    y, n = pl.col("yield_kg_ha"), pl.col("counts").sum()
    counted = pl.col("counts")
    # without every area the passes weigh the same
    weight = (
        pl.when(pl.col("area_ha").filter(counted).is_null().any()).then(1.0).otherwise("area_ha")
    )
    keys = [*STRIP, "method"]
    weighted = passes.with_columns(w=pl.when(counted).then(weight.over(keys)).otherwise(0.0))
    w = pl.col("w")
    mean = (w * y).sum() / w.sum()
    spread = ((w * (y - mean) ** 2).sum() / w.sum()) * n / (n - 1) * (w**2).sum() / w.sum() ** 2
    protein = pl.col("protein_pct").filter(counted)
    measured = ((w * pl.col("yield_se_kg_ha")) ** 2).sum() / w.sum() ** 2
    out = weighted.group_by(keys).agg(
        crop=pl.col("crop").first(),
        mean=mean,
        # One pass has no spread; that of two may be small by luck, so never below the measurement.
        variance=pl.when(n > 1).then(pl.max_horizontal(spread, measured)).otherwise(measured),
        moisture_pct=pl.col("moisture_pct").filter(counted).mean(),
        test_weight_kg_hl=pl.col("test_weight_kg_hl").filter(counted).mean(),
        protein_pct=protein.mean(),
        protein_se_pct=(protein.var() / protein.count()).sqrt(),
        area_ha=pl.col("area_ha").filter(counted).sum(),
        unknown_area=pl.col("area_ha").filter(counted).is_null().any(),
        passes=n,
        recorded=pl.len(),
        partly=(counted & pl.col("partial")).any(),
        whys=pl.col("reason").filter(counted).drop_nulls().unique().sort().str.join("; "),
    )
    found = pl.col("passes") > 0
    return out.with_columns(
        yield_kg_ha=pl.when(found).then("mean"),
        monitor=pl.when(pl.col("method") == "yield map")
        .then(MONITOR_ERROR * pl.col("mean"))
        .otherwise(0.0),
        area_ha=pl.when(~pl.col("unknown_area") & found).then("area_ha"),
        coverage=pl.col("passes") / pl.col("recorded"),
        **{"pass": pl.lit("all")},
    ).with_columns(
        yield_se_kg_ha=pl.when(found).then((pl.col("variance") + pl.col("monitor") ** 2).sqrt()),
        partial=(pl.col("passes") < pl.col("recorded")) | pl.col("partly"),
        reason=joined(
            pl.when(~found).then(pl.lit("no pass counts")),
            pl.when(found & (pl.col("passes") < pl.col("recorded"))).then(
                pl.format("{} of {} passes count", "passes", "recorded")
            ),
            pl.when(pl.col("passes") == 1).then(
                pl.lit("one pass only, so the error is that of its measurement")
            ),
            pl.when(pl.col("whys") != "").then("whys"),
        ),
    )


def _combined(methods: pl.DataFrame) -> pl.DataFrame:
    """The strip by all methods together, and whether they agree within their errors."""
    good = methods.filter(pl.col("yield_kg_ha").is_not_null()).with_columns(
        w=1 / (pl.col("yield_se_kg_ha") ** 2).mean().over([*SEASON, "method"])
    )
    w, y, se = pl.col("w"), pl.col("yield_kg_ha"), pl.col("yield_se_kg_ha")
    out = good.group_by(STRIP).agg(
        pl.col("crop").first(),
        pl.len().alias("kinds"),
        gap=y.max() - y.min(),
        gap_se=(se**2).sum().sqrt(),
        yield_kg_ha=(w * y).sum() / w.sum(),
        yield_se_kg_ha=((w * se) ** 2).sum().sqrt() / w.sum(),
        moisture_pct=pl.col("moisture_pct").mean(),
        test_weight_kg_hl=pl.col("test_weight_kg_hl").mean(),
        protein_pct=pl.col("protein_pct").mean(),
        protein_se_pct=pl.col("protein_se_pct").max(),
        area_ha=pl.col("area_ha").max(),
        passes=pl.col("passes").sum(),
        coverage=pl.col("passes").sum() / pl.col("recorded").sum(),
        partial=pl.col("partial").any(),
        whys=pl.format("{}: {}", "method", "reason").drop_nulls().sort().str.join("; "),
    )
    both = pl.col("kinds") > 1
    return out.with_columns(
        methods_disagree=pl.when(both).then(pl.col("gap") > DISAGREE * pl.col("gap_se")),
        method=pl.lit("combined"),
        **{"pass": pl.lit("all")},
    ).with_columns(
        reason=joined(
            pl.when(pl.col("methods_disagree").fill_null(False)).then(
                pl.format(
                    "scale wagon and yield map differ by {} kg/ha, more than their errors allow",
                    pl.col("gap").round(0).cast(pl.Int64),
                )
            ),
            pl.when(pl.col("whys") != "").then("whys"),
        )
    )


def _without_yield(crops: pl.DataFrame, passes: pl.DataFrame, strips: pl.DataFrame) -> pl.DataFrame:
    """A row for each strip of a harvested season that has no yield."""
    seasons = pl.concat(
        [
            crops.filter(pl.col("harvested").is_not_null()).select(*SEASON, "crop"),
            passes.select(*SEASON, "crop"),
        ]
    ).unique(SEASON)
    have = strips.filter(pl.col("method") == "combined")
    recorded = passes.select(STRIP).unique().with_columns(recorded=pl.lit(True))
    return (
        seasons.join(STRIPS, how="cross")
        .join(have.select(STRIP), on=STRIP, how="anti")
        .join(recorded, on=STRIP, how="left")
        .with_columns(
            method=pl.lit("combined"),
            passes=pl.lit(0, pl.Int64),
            coverage=pl.lit(0.0),
            partial=pl.lit(True),
            reason=pl.when(pl.col("recorded"))
            .then(pl.lit("no recorded pass of this strip has a yield that counts"))
            .otherwise(pl.lit("no pass of this strip was weighed or mapped")),
            **{"pass": pl.lit("all")},
        )
    )
