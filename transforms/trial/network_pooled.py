"""network_pooled: what the farms of a network say together, by practice and in groups."""

import polars as pl

from schemas import generated
from schemas.tables.trial.network_pooled import TABLE
from transforms.trial.methods.disclosure import shown
from transforms.trial.methods.evidence_values import measured, worked_site_years
from transforms.trial.methods.family_verdict import with_more_or_less
from transforms.trial.methods.farm_pooling import LEAST_SEASONS, over_farms
from transforms.trial.methods.shared_check import in_fields, once

FAMILY = ["practice", "measure", "layer", "currency"]
CHANGE = "response change by year"
GROUPINGS = {
    "all": pl.lit("all"),
    "crop": pl.col("crop"),
    "soil": pl.col("soil"),
    "season rain": pl.col("season_rain"),
    "years since": pl.col("years_since").cast(pl.String),
}
UNITS = {
    "response": "pct",
    CHANGE: "pct",
    "root lead": "d",
    "deep uptake": "mm",
    "water use efficiency": "pct",
    "winter recharge": "mm",
    "winter recharge share": "pct",
    "rain capture": "pct",
    "season net": "per_ha",
}
NO_MONEY = "none"
ALL_DEPTHS = "all"
LIMITS = (
    "Farms that share their records are no random sample of farms. A farm counts once, however many "
    "fields it has."
)
FEW_SEASONS = "What all farms of one season share (the weather) is not in the interval: the seasons are too few."
SITE_YEAR = ["farm", "field", "season"]


def derive(
    *,
    network_farm: pl.DataFrame,
    response: pl.DataFrame,
    response_cause: pl.DataFrame,
    payback: pl.DataFrame,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    field: pl.DataFrame,
    root_lead: pl.DataFrame,
    drawdown_season: pl.DataFrame,
    water_use_season: pl.DataFrame,
    recharge_winter: pl.DataFrame,
    capture_season: pl.DataFrame,
    comparison: pl.DataFrame,
) -> pl.DataFrame:
    """Pool treated minus check of each measure over farms.

    Fields are those of all farms, under names that no two farms share; ``network_farm`` has the farm of
    each by ``field`` besides. Values are those of ``response``, ``payback`` and ``evidence_pooled``, one
    a field and season (strips of one practice in a field count once); the change by year is one a field,
    the slope of its responses over the harvests since the work. Each is pooled by ``over_farms``: a
    farm counts once. Groups that could tell of fewer than five farms are left out (``disclosure``).
    Money is pooled within a currency. Coverage is by what could have a value: harvested site-years
    after an operation (for the change by year, fields with one), of the farms that share.
    """
    site_years = worked_site_years(season, operation, field, comparison)
    below = measured(
        site_years,
        root_lead=root_lead,
        drawdown_season=drawdown_season,
        water_use_season=water_use_season,
        recharge_winter=recharge_winter,
        capture_season=capture_season,
    )
    values = pl.concat(
        [_responses(response), _money(payback), below.select(*_VALUE).drop_nulls("value")]
    )
    values = once(in_fields(values, comparison), ["measure", "layer"], ["value"], [])
    facts = _facts(
        comparison,
        network_farm=network_farm,
        cause=response_cause,
        season=season,
        soil=field,
        site_years=site_years,
    )
    after = in_fields(site_years, comparison).select("field", "season", "practice")
    after = _of_practices(after.join(facts, on=["field", "season"]))
    rows = _of_practices(values.join(facts, on=["field", "season"])).with_columns(
        own_currency="currency",
        currency=pl.when(pl.col("measure") == "season net")
        .then("currency")
        .otherwise(pl.lit(NO_MONEY)),
    )
    rows = rows.drop_nulls([*FAMILY, "farm"]).sort(*FAMILY, *SITE_YEAR)
    could = pl.concat([after, rows.with_columns(currency="own_currency").select(after.columns)])
    could = could.unique(["practice", *SITE_YEAR], keep="first", maintain_order=True)
    rows = pl.concat([rows, _changes(rows)])
    found = [
        row
        for family, group in rows.group_by(FAMILY, maintain_order=True)
        for row in _of_family(dict(zip(FAMILY, map(str, family), strict=True)), group, could)
    ]
    out = pl.DataFrame(found, schema=generated.polars_schema(TABLE))
    out = out.with_columns(pl.col(pl.Float64).fill_nan(None))
    gain = pl.coalesce(f"gain_{unit}" for unit in sorted(set(UNITS.values())))
    return generated.conform(with_more_or_less(out, gain), TABLE).sort(TABLE.key)


_VALUE = ("field", "season", "practice", "measure", "layer", "value")


def _of_practices(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows with the names of practices in one spelling."""
    name = pl.col("practice").str.to_lowercase().str.replace_all(r"\s+", " ").str.strip_chars()
    return rows.with_columns(name)


def _responses(response: pl.DataFrame) -> pl.DataFrame:
    known = response.filter(
        pl.col("operation_day").is_not_null() & ~pl.col("check_worked").fill_null(False)
    )
    named = known.with_columns(
        measure=pl.lit("response"), layer=pl.lit(ALL_DEPTHS), value="response_pct"
    )
    return named.select(_VALUE).drop_nulls("value")


def _money(payback: pl.DataFrame) -> pl.DataFrame:
    named = payback.with_columns(
        measure=pl.lit("season net"), layer=pl.lit(ALL_DEPTHS), value="marginal_net_per_ha"
    )
    return named.select(_VALUE).drop_nulls("value")


def _facts(
    comparison: pl.DataFrame,
    *,
    network_farm: pl.DataFrame,
    cause: pl.DataFrame,
    season: pl.DataFrame,
    soil: pl.DataFrame,
    site_years: pl.DataFrame,
) -> pl.DataFrame:
    """Return what groups go by, one row a field and season: farm, crop, soil, rain, years since the work."""
    names = in_fields(season.select("field", "season", "crop"), comparison).unique(
        ["field", "season"], keep="first", maintain_order=True
    )
    rain = in_fields(cause.select("field", "season", "season_rain"), comparison)
    years = in_fields(site_years.select("field", "season", "years_since"), comparison)
    soils = in_fields(soil.select("field", soil="soil_texture"), comparison)
    on = ["field", "season"]
    return (
        names.join(
            rain.drop_nulls().unique(on, keep="first", maintain_order=True), on=on, how="left"
        )
        .join(years.drop_nulls().sort("years_since").unique(on, keep="first"), on=on, how="left")
        .join(
            soils.drop_nulls().unique("field", keep="first", maintain_order=True),
            on="field",
            how="left",
        )
        .join(network_farm.select("farm", "field", "currency", "known"), on="field")
    )


def _changes(rows: pl.DataFrame) -> pl.DataFrame:
    """Return each field's change of the response with each harvest, from two harvests on."""
    year, pct = pl.col("years_since"), pl.col("value")
    rows = rows.filter((pl.col("measure") == "response") & year.is_not_null())
    slope = pl.cov(year.cast(pl.Float64), pct) / year.var()
    lines = rows.group_by("farm", "field", "practice", maintain_order=True).agg(
        slope=slope, years=year.n_unique(), first=pl.struct(rows.columns).first()
    )
    named = lines.filter(pl.col("years") > 1).select(
        pl.col("first").struct.with_fields(
            measure=pl.lit(CHANGE), value=pl.col("slope"), season=pl.lit(0, pl.Int64),
            season_rain=pl.lit(None, pl.String), years_since=pl.lit(None, pl.Int64),
            crop=pl.lit(None, pl.String),
        )
    )  # fmt: skip
    return named.unnest("first").select(rows.columns).drop_nulls("value")


def _of_family(
    family: dict[str, str], rows: pl.DataFrame, could: pl.DataFrame
) -> list[dict[str, object]]:
    """Return the rows of one practice and measure that may be shown.

    ``could``: the site-years of all practices that could have a value.
    """
    grouped = [expr.alias(f"_{name}") for name, expr in GROUPINGS.items()]
    rows = rows.with_columns(grouped)
    could = could.filter(practice=family["practice"]).with_columns(grouped)
    if family["currency"] != NO_MONEY:
        could = could.filter(currency=family["currency"])
    if family["measure"] == CHANGE:
        could = could.unique(["farm", "field"], keep="first", maintain_order=True)
    members = [
        (name, str(member), group)
        for name in GROUPINGS
        for (member,), group in rows.drop_nulls(f"_{name}").group_by(
            f"_{name}", maintain_order=True
        )
    ]
    # The whole first, then the groups of most farms: what comes first is shown rather than what follows.
    members.sort(key=lambda one: (one[0] != "all", -one[2]["farm"].n_unique(), one[0], one[1]))
    flags = {
        f"{name}\n{member}": (pl.col(f"_{name}") == member).fill_null(False)
        for name, member, _ in members
    }
    cells = rows.select("farm", "known", **flags).unique(maintain_order=True)
    kept = set(shown(cells, list(flags)))
    return [
        {
            **family,
            "grouping": name,
            "member": member,
            **_row(family["measure"], group, could.filter(pl.col(f"_{name}") == member)),
        }
        for name, member, group in members
        if f"{name}\n{member}" in kept
    ]


def _row(measure: str, group: pl.DataFrame, could: pl.DataFrame) -> dict[str, object]:
    unit, found = UNITS[measure], over_farms(group)
    few = group["season"].n_unique() < LEAST_SEASONS
    without = set(could["farm"]) - set(group["farm"])
    lacking = could.height - group.height
    each = "fields" if measure == CHANGE else "site-years"
    reasons = (
        f"not known in {lacking:,} of {could.height:,} {each}" if lacking else "",
        f"farms that have none: {len(without):,}" if without else "",
        "fewer than three seasons" if few else "",
    )
    numbers = {
        f"gain_{unit}": found.mean.mean,
        f"gain_low_{unit}": found.mean.low,
        f"gain_high_{unit}": found.mean.high,
        f"spread_{unit}": found.spread,
        f"spread_low_{unit}": found.spread_low,
        f"spread_high_{unit}": found.spread_high,
        f"next_low_{unit}": found.next_low,
        f"next_high_{unit}": found.next_high,
    }
    # Sixteen digits of a mean would tell more of the farms behind it than the mean does.
    return {name: round(value, 2) for name, value in numbers.items()} | {
        "farms": group["farm"].n_unique(),
        "fields": group["field"].n_unique(),
        "site_years": group.height,
        "p": round(found.mean.p, 4),
        "limits": f"{LIMITS} {FEW_SEASONS}" if few else LIMITS,
        "farms_without": len(without),
        "coverage": round(group.height / could.height, 3),
        "partial": bool(few or lacking),
        "reason": "; ".join(filter(None, reasons)) or None,
    }
