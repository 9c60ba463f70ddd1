"""payback: the money of each season after an operation, and whether it has paid."""

import numpy as np
import numpy_financial as npf  # type: ignore[import-untyped]
import polars as pl

from schemas import generated
from schemas.tables.money.payback import TABLE
from transforms.methods.normal_range import Z_95
from transforms.methods.texts import joined
from transforms.money.methods import grain_quality, in_all, paid_chance, repeat, sum_chance
from transforms.money.methods.chance_words import PAID, UNKNOWN, by_chance
from transforms.trial.methods.since_operation import earlier_work

RUN = ["field", "operation_day"]
RATE_PCT = 5.0
# 'Lowest and highest price thought likely' are read as the ends of a 95 % range.
RANGE_IN_SD = 2 * Z_95


def derive(
    *,
    response: pl.DataFrame,
    strip_yield: pl.DataFrame,
    operation_cost: pl.DataFrame,
    price: pl.DataFrame,
    cost: pl.DataFrame,
    field: pl.DataFrame,
    season: pl.DataFrame,
    operation: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Money by season since the last operation, in the farm's currency per hectare.

    A season's net is response (kg/ha) times price, and what a difference in protein earns at a premium
    (``grain_quality``), less the extra costs of the treated strip. A
    price of the field goes before one of the whole farm. Each season belongs to the operation
    before it, so a repeat starts a new sum, of what it adds: less what the work before would still
    have given, by the fade after first workings, with its error (``repeat``). The
    probability of having paid is Student's t of the sum: the response's error (shared over
    site-years) times price, and the price's spread; degrees of freedom after Satterthwaite 1946.
    The sum in all is that by area times the area worked.
    Where the farm has several fields, each response after a first working is drawn toward what all
    show for it (``paid_chance``). A season without a response or a price adds
    nothing and makes all later rows partial. Net present value and internal rate by
    numpy-financial, a season's money at the end of its year.
    """
    response = response.join(
        grain_quality.by_season(strip_yield), on=["field", "season"], how="left"
    )
    seasons = _seasons(response, operation_cost, price, cost, field).join(
        earlier_work(season, operation, field), on=["field", "season"], how="left"
    )
    if seasons.is_empty():
        return generated.empty(TABLE)
    given = farm["discount_rate_pct"].drop_nulls()
    rate = float(given[0]) if len(given) else RATE_PCT
    most = float(response["own_df"].fill_null(0).sum())
    alike = paid_chance.drawn(seasons)
    before = repeat.earlier(seasons)
    summed = pl.concat(
        _sums(
            repeat.with_marginal(group, before.get((field_name, day))),
            rate,
            most,
            alike.get(group["practice"][0]),
            before.get((field_name, day)),
        )
        for (field_name, day), group in seasons.sort(*RUN, "season").group_by(
            RUN, maintain_order=True
        )
    )
    rows = _with_reason(in_all.with_sums(summed, operation))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _seasons(
    response: pl.DataFrame,
    operation_cost: pl.DataFrame,
    price: pl.DataFrame,
    cost: pl.DataFrame,
    field: pl.DataFrame,
) -> pl.DataFrame:
    """Each season by itself: value, extra costs, net and its variance."""
    paid = (
        operation_cost.filter(pl.col("strip") == "treated")
        .join(field.select("field", "practice"), on=["field", "practice"], how="semi")
        .select(
            "field",
            "practice",
            "cost_per_ha",
            operation_day="day",
            cost_partial="partial",
            cost_reason="reason",
        )
    )
    side = pl.col("cost_per_ha")
    extra = cost.group_by("field", "season").agg(
        season_extra_cost_per_ha=side.filter(pl.col("strip") == "treated").sum()
        - side.filter(pl.col("strip") == "check").sum()
    )
    return (
        response.filter(
            pl.col("operation_day").is_not_null() & ~pl.col("check_worked").fill_null(False)
        )
        .join(paid, on=["field", "operation_day", "practice"], how="left")
        .join(extra, on=["field", "season"], how="left")
        .join(_prices(response, price), on=["field", "season"], how="left")
        .with_columns(
            pl.col("season_extra_cost_per_ha").fill_null(0.0),
            season_value_per_ha=pl.col("response_kg_ha") * pl.col("price_per_kg"),
            _yield_var=(pl.col("price_per_kg") * pl.col("response_se_kg_ha")) ** 2,
            _price_var=(pl.col("response_kg_ha") ** 2 + pl.col("response_se_kg_ha") ** 2)
            * pl.col("price_sd").fill_null(0.0) ** 2
            + grain_quality.variance().fill_null(0.0),
            season_quality_value_per_ha=grain_quality.value(),
        )
        .with_columns(
            _extra=pl.col("season_extra_cost_per_ha")
            - pl.col("season_quality_value_per_ha").fill_null(0.0)
        )
        .with_columns(
            season_net_per_ha=pl.col("season_value_per_ha") - pl.col("_extra"),
            season_net_se_per_ha=(pl.col("_yield_var") + pl.col("_price_var")).sqrt(),
        )
        .sort(*RUN, "season")
    )


def _prices(response: pl.DataFrame, price: pl.DataFrame) -> pl.DataFrame:
    """Price by site-year, the field's own before the farm's, with its standard deviation."""
    wanted = response.select("field", "season", "crop")
    had = price.select(
        "crop",
        "season",
        "price_per_kg",
        "protein_premium_per_kg",
        price_field="field",
        price_sd=(pl.col("price_high_per_kg") - pl.col("price_low_per_kg")) / RANGE_IN_SD,
    )
    return (
        wanted.join(had, on=["crop", "season"])
        .filter(pl.col("price_field").is_in(["all"]) | (pl.col("price_field") == pl.col("field")))
        .sort("field", "season", pl.col("price_field") == "all")
        .unique(["field", "season"], keep="first", maintain_order=True)
        .select("field", "season", "price_per_kg", "price_sd", "protein_premium_per_kg")
    )


def _sums(
    run: pl.DataFrame,
    rate: float,
    most: float,
    alike: paid_chance.Drawn | None,
    before: repeat.Earlier | None,
) -> pl.DataFrame:
    """The sums of one operation's seasons, in order."""
    start = run["cost_per_ha"][0]
    net = run["marginal_net_per_ha"].to_numpy().astype(float)
    counted = np.isfinite(net)
    flow = np.where(counted, net, 0.0)
    yield_var = run["_yield_var"].fill_null(float("nan")).to_numpy()
    price_var = run["_price_var"].fill_null(0.0).to_numpy()
    df = run["response_df"].fill_null(float("nan")).to_numpy()
    lasting = run["lasting_se_kg_ha"].fill_null(0.0).to_numpy()
    price = np.where(counted, run["price_per_kg"].fill_null(0.0).to_numpy(), 0.0)
    response = np.where(counted, run["_added"].fill_null(0.0).to_numpy(), 0.0)
    extra = np.where(counted, run["_extra"].to_numpy(), 0.0)
    year = run["years_since"].to_numpy()
    keys = run.select(*RUN, "season").rows()
    rows: list[dict[str, float | None]] = []
    for i in range(run.height):
        now = counted[: i + 1]
        v, p = yield_var[: i + 1][now], price_var[: i + 1][now]
        row: dict[str, float | None] = {
            "season_net_df": sum_chance.season_df(yield_var[i], price_var[i], df[i], most)
        }
        if start is not None and now.any():
            total = float(flow[: i + 1].sum()) - start
            alike_error = (price * lasting)[: i + 1][now]
            shared = float(alike_error.sum() ** 2 - (alike_error**2).sum())
            row |= {"cumulative_net_per_ha": total}
            row |= sum_chance.chance(
                total, v, p, df[: i + 1][now], most, shared, before, price[: i + 1]
            )
            if alike is not None and before is None and "paid_chance" in row:
                chance = alike.above(
                    [key for key, counts in zip(keys, now, strict=False) if counts],
                    price[: i + 1][now],
                    start + float(extra[: i + 1].sum()),
                    float(p.sum()),
                    sum_chance.freedom_of(v, p, df[: i + 1][now], most),
                )
                row["paid_chance"] = row["paid_chance"] if chance is None else chance
            row |= _breakeven(start + extra[: i + 1].sum(), price[: i + 1], response[: i + 1])
            flows = np.zeros(int(year[i]) + 1)
            flows[0] = -start
            np.add.at(flows, year[: i + 1], flow[: i + 1])
            row["npv_per_ha"] = float(npf.npv(rate / 100, flows))
            row["irr_pct"] = 100 * float(npf.irr(flows)) if (flows > 0).any() else None
        row["coverage"] = float(now.sum() / year[i])
        rows.append(row)
    sums = pl.DataFrame(rows, schema=dict.fromkeys(_SUM_COLUMNS, pl.Float64))
    return pl.concat(
        [run.drop("coverage"), sums.with_columns(pl.all().fill_nan(None))], how="horizontal"
    ).with_columns(discount_rate_pct=pl.lit(rate))


_SUM_COLUMNS = (
    "season_net_df",
    "cumulative_net_per_ha",
    "cumulative_low_per_ha",
    "cumulative_high_per_ha",
    "paid_chance",
    "breakeven_response_kg_ha",
    "breakeven_price_per_kg",
    "npv_per_ha",
    "irr_pct",
    "coverage",
)


def _breakeven(needed: float, price: np.ndarray, response: np.ndarray) -> dict[str, float | None]:
    return {
        "breakeven_response_kg_ha": float(needed / price.sum()) if price.sum() > 0 else None,
        "breakeven_price_per_kg": max(float(needed / response.sum()), 0.0)
        if response.sum() > 0
        else None,
    }


def _with_reason(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the payback season, ``partial`` and the reasons in plain words."""
    paid = pl.col("cumulative_net_per_ha") >= 0
    first = pl.col("season").filter(paid).min().over(RUN)
    unweighed = pl.col("response_kg_ha").is_null()
    unpriced = pl.col("response_kg_ha").is_not_null() & pl.col("price_per_kg").is_null()
    repeated = pl.col("earlier_day").is_not_null()
    no_protein = (pl.col("protein_premium_per_kg") > 0) & pl.col("protein_difference_pct").is_null()
    unknown = repeated & pl.col("season_net_per_ha").is_not_null() & pl.col("_added").is_null()
    gap = (pl.col("coverage") < 1) & ~unweighed & ~unpriced & ~unknown
    reason = joined(
        pl.when(pl.col("cost_per_ha").is_null()).then(
            pl.coalesce("cost_reason", pl.lit("the cost of the operation is not known"))
        ),
        pl.when(pl.col("cost_per_ha").is_not_null()).then(pl.col("cost_reason")),
        pl.when(unweighed).then(pl.lit("no response this season: it adds nothing to the sum")),
        pl.when(pl.col("partial").fill_null(False)).then(pl.col("reason")),
        pl.when(unpriced).then(pl.lit("no price this season: it adds nothing to the sum")),
        pl.when(no_protein).then(
            pl.lit("the protein premium is not counted: it takes two passes a strip with protein")
        ),
        pl.when(unknown).then(
            pl.lit(
                "what the work before this repeat would still have given is not known (fewer than "
                "three site-years after a first working), so what the repeat added is not"
            )
        ),
        pl.when(gap).then(
            pl.lit("a season since the operation is not counted: the true sum may be other")
        ),
        pl.when(pl.col("marginal_net_per_ha").is_not_null() & pl.col("paid_chance").is_null()).then(
            pl.lit("no scatter between blocks is known, so no interval and no probability")
        ),
        pl.when(pl.col("cumulative_net_per_ha").is_not_null() & pl.col("irr_pct").is_null()).then(
            pl.lit("no internal rate: so far the seasons earned nothing in all")
        ),
        pl.when(pl.col("cumulative_net_per_ha").is_not_null() & pl.col("worked_ha").is_null()).then(
            pl.lit("no sum in all: the field book does not say what area was worked")
        ),
    )
    too_cheap = pl.col("cost_partial").fill_null(False)
    summed = pl.col("cumulative_net_per_ha").is_not_null()
    low, high = (
        pl.col(f"cumulative_{end}_per_ha") + pl.col("cost_per_ha") for end in ("low", "high")
    )
    return rows.with_columns(
        paid=paid,
        repeat_adds=pl.when(repeated & low.is_not_null()).then(
            pl.when(low > 0)
            .then(pl.lit("adds"))
            .when(high < 0)
            .then(pl.lit("takes away"))
            .otherwise(pl.lit("not shown"))
        ),
        cost_partial=too_cheap,
        verdict=pl.when(summed).then(
            pl.coalesce(by_chance(pl.col("paid_chance"), too_cheap, PAID), pl.lit(UNKNOWN))
        ),
        payback_season=pl.when(paid).then(first),
        partial=(pl.col("coverage") < 1)
        | no_protein.fill_null(False)
        | pl.col("cost_per_ha").is_null()
        | pl.col("cost_partial").fill_null(False)
        | pl.col("partial").fill_null(False),
        reason=reason,
    )
