"""Calibration of the trial's claims by simulation: ``python -m tests.bench.bench_trial [TRIALS]``.

Farms with known truth go through the same functions that make the tables. Writes the markdown
that stands in FIGURES.md under 'The trial'. Deterministic for a number of trials.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from transforms.money import operation_cost, payback
from transforms.trial import response, response_driver
from transforms.trial.methods import trial_statistics as ts
from transforms.trial.methods.fade_line import fade
from transforms.trial.methods.field_effects import fitted
from transforms.trial.methods.site_years import counted_by, widest
from transforms.trial.methods.trial_pooling import pooled

Array = NDArray[np.float64]

PRACTICE = "deep tillage"
LEVEL = 3000.0  # check yield, kg/ha
BLOCK_SD = 150.0  # of a block's difference, about 5 % of the yield
PRICE = 0.25  # currency/kg
PRICE_SPREAD = 0.2  # lowest and highest price thought likely, either way
WORKED = date(2018, 10, 20)


@dataclass(frozen=True, slots=True)
class Farm:
    """Site-years of one invented farm: field number, season, true response, blocks' differences."""

    field: NDArray[np.int64]
    season: NDArray[np.int64]
    true: Array
    differences: list[Array]


def farm(  # noqa: PLR0917
    rng: np.random.Generator,
    site_years: list[int],
    mean: float,
    between: float,
    field_share: float = 0.0,
    blocks: tuple[int, int] = (2, 6),
) -> Farm:
    """A farm: seasons by field, mean response and its spread between site-years (kg/ha).

    ``field_share``: the share of that variance that a field's site-years have in common. Block
    scatter differs from site-year to site-year by a factor of about 1.35 either way.
    """
    field = np.repeat(np.arange(len(site_years)), site_years)
    season = np.concatenate([2019 + np.arange(n) for n in site_years])
    k = field.size
    shared = rng.normal(0, between * field_share**0.5, len(site_years))[field]
    true = mean + shared + rng.normal(0, between * (1 - field_share) ** 0.5, k)
    sd = BLOCK_SD * np.exp(rng.normal(0, 0.3, k))
    count = rng.integers(blocks[0], blocks[1] + 1, k)
    return Farm(field, season, true, [rng.normal(true[i], sd[i], count[i]) for i in range(k)])


def tables(one: Farm) -> dict[str, pl.DataFrame]:
    """The farm's book as tables."""
    names = [f"f{i}" for i in one.field]
    n = [d.size for d in one.differences]
    at = np.repeat(np.arange(len(n)), n)
    block = np.concatenate([np.arange(1, m + 1) for m in n]).astype(str)
    common = pl.DataFrame(
        {
            "field": [names[i] for i in at],
            "season": one.season[at],
            "pass": block,
            "block": block,
            "method": "scale wagon",
            "crop": "spring wheat",
            "passes": 1,
            "used": True,
            "partial": False,
        }
    )
    check = common.with_columns(strip=pl.lit("check"), yield_kg_ha=pl.lit(LEVEL))
    treated = common.with_columns(
        strip=pl.lit("treated"), yield_kg_ha=LEVEL + pl.Series(np.concatenate(one.differences))
    )
    fields = sorted(set(names))

    def table(name: str, frame: pl.DataFrame) -> pl.DataFrame:
        return generated.conform(frame, TABLES[name])

    work = pl.DataFrame({"field": fields}).with_columns(
        strip=pl.lit("treated"),
        day=pl.lit(WORKED),
        practice=pl.lit(PRACTICE),
        contract_cost_per_ha=pl.lit(0.0),
    )
    return {
        "strip_yield": table("strip_yield", pl.concat([check, treated])),
        "field": table(
            "field", pl.DataFrame({"field": fields}).with_columns(practice=pl.lit(PRACTICE))
        ),
        "season": table(
            "season",
            pl.DataFrame({"field": names, "season": one.season}).with_columns(
                crop=pl.lit("spring wheat"), seeded=pl.date(pl.col("season"), 5, 10)
            ),
        ),
        "operation": table("operation", work),
    }


def responses(book: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """The table ``response`` of a farm's book."""
    return response.derive(
        **{name: book[name] for name in ("strip_yield", "season", "operation", "field")},
        strip=generated.empty(TABLES["strip"]),
    )


SCATTER_PCT = 3.34  # of a block's difference on the demo's farm


def even(trials: int) -> Iterator[dict[str, object]]:
    """Four fields of four seasons on even ground, scatter between blocks that of the demo: verdicts.

    Without effect, and with a true response of 6 % in every site-year.
    """
    for blocks in (2, 3, 5, 10):
        rng = np.random.default_rng([9, blocks])
        found = {}
        for true in (0.0, 6.0):
            made = [_even_farm(rng, true, blocks) for _ in range(max(trials // 16, 2))]
            # A practice a farm, so that no farm lends another its scatter.
            out = pl.concat(responses(tables(one)) for one in made)
            low, high = out["response_low_pct"].to_numpy(), out["response_high_pct"].to_numpy()
            found[true] = (
                100 * out["verdict"].is_in(["gain", "loss"]).to_numpy().mean(),
                100 * ((low <= true) & (true <= high)).mean(),
            )
        yield {
            "blocks": blocks,
            "claimed without effect %": found[0.0][0],
            "called at 6 % %": found[6.0][0],
            "interval covers %": found[6.0][1],
        }


def _even_farm(rng: np.random.Generator, true_pct: float, blocks: int) -> Farm:
    field, season = np.repeat(np.arange(4), 4), np.tile(2019 + np.arange(4), 4)
    true = np.full(16, true_pct * LEVEL / 100)
    sd = SCATTER_PCT * LEVEL / 100
    return Farm(field, season, true, [rng.normal(one, sd, blocks) for one in true])


def intervals(trials: int) -> Iterator[dict[str, object]]:
    """A true response of 200 kg/ha: coverage of the site-year's t interval, by blocks."""
    rng = np.random.default_rng(2)
    for blocks in (2, 3, 4, 6):
        one = farm(rng, [1] * trials, 200.0, 0.0, blocks=(blocks, blocks))
        found = responses(tables(one)).sort(pl.col("field").str.slice(1).cast(pl.Int64))
        hit = (found["response_low_kg_ha"].to_numpy() <= 200.0) & (
            found["response_high_kg_ha"].to_numpy() >= 200.0
        )
        yield {
            "blocks": blocks,
            "coverage %": 100 * hit.mean(),
            "median half width kg/ha": float(np.median(found["least_difference_kg_ha"])),
        }


def alike(trials: int) -> Iterator[dict[str, object]]:
    """Mapped sections of which neighbors are alike: coverage, beside that of a plain t."""
    rng = np.random.default_rng(3)
    for n in (20, 40, 100):
        for rho in (0.0, 0.3, 0.6, 0.8):
            hit = plain = 0
            for _ in range(trials):
                noise = rng.normal(size=n + 60)
                d = np.zeros(n + 60)
                for i in range(1, n + 60):
                    d[i] = rho * d[i - 1] + noise[i]
                wide, narrow = ts.alike_neighbours(d[60:]), ts.paired(d[60:])
                hit += wide.low <= 0 <= wide.high
                plain += narrow.low <= 0 <= narrow.high
            yield {
                "sections": n,
                "likeness of neighbors": rho,
                "coverage %": 100 * hit / trials,
                "plain t %": 100 * plain / trials,
            }


def _shared(one: Farm) -> tuple[Array, Array]:
    """The blocks' variances with scatter shared over the farm, and their degrees of freedom."""
    n = np.array([d.size for d in one.differences])
    return ts.shared_variances(
        np.array([d.var(ddof=1) if d.size > 1 else np.nan for d in one.differences]), n - 1
    )


def _shared_df(one: Farm) -> Array:
    return _shared(one)[1]


def _pooled_parts(one: Farm) -> tuple[Array, Array]:
    """Responses and their variances with shared scatter, as ``response`` makes them."""
    n = np.array([d.size for d in one.differences])
    return np.array([d.mean() for d in one.differences]), _shared(one)[0] / n


def pools(
    trials: int,
    sizes: tuple[int, ...] = (3, 6, 9, 15),
    spreads: tuple[float, ...] = (0.0, 75.0, 150.0, 300.0),
) -> Iterator[dict[str, object]]:
    """Pooled mean and prediction of the next site-year; site-years independent of each other."""
    for k in sizes:
        for between in spreads:
            rng = np.random.default_rng([4, k, int(between)])
            mean = ahead = wrong = 0
            for _ in range(trials):
                found = pooled(*_pooled_parts(farm(rng, [1] * k, 200.0, between)))
                mean += found.mean.low <= 200.0 <= found.mean.high
                ahead += found.predicted_low <= rng.normal(200.0, between) <= found.predicted_high
                # Shifted by the truth this is a claim where there is no effect.
                wrong += not found.cautious.low <= 200.0 <= found.cautious.high
            yield {
                "site-years": k,
                "spread between kg/ha": between,
                "mean covered %": 100 * mean / trials,
                "next covered %": 100 * ahead / trials,
                "claim without effect %": 100 * wrong / trials,
            }


def shared_fields(trials: int) -> Iterator[dict[str, object]]:
    """Three seasons in each field, half of the spread of 150 kg/ha common to a field; no effect."""
    rng = np.random.default_rng(8)
    for fields in (3, 5):
        narrow = wide = claim = 0
        for _ in range(trials):
            one = farm(rng, [3] * fields, 0.0, 150.0, 0.5)
            y, v = _pooled_parts(one)
            known = pl.DataFrame(
                {
                    "field": one.field,
                    "season": one.season,
                    "value": y,
                    "error": v**0.5,
                }
            )
            found = pooled(y, v)
            site_year = found.mean
            _, wide_one = widest(counted_by(known, found.cautious))
            narrow += site_year.low <= 0 <= site_year.high
            wide += wide_one.low <= 0 <= wide_one.high
            claim += wide_one.p <= 0.05
        yield {
            "fields": fields,
            "site-years": 3 * fields,
            "interval by site-years covers %": 100 * narrow / trials,
            "widest interval covers %": 100 * wide / trials,
            "claim without effect %": 100 * claim / trials,
        }


def paid(trials: int, between: float = 150.0) -> pl.DataFrame:
    """Probability of having paid beside the truth, for fields of 1 to 4 seasons, four a farm.

    The scatter is shared within a farm, as ``response`` does it; ``payback`` then makes all farms
    at once, each field with a cost of its own.
    """
    rng = np.random.default_rng([5, int(between)])
    frames, truth, costs = [], {}, {}
    for at in range(max(trials // 4, 1)):
        one = farm(rng, [int(n) for n in rng.integers(1, 5, 4)], 160.0, between, field_share=0.3)
        y, v = _pooled_parts(one)
        cost = float(rng.uniform(40, 120))
        # The price of each season, one for the farm, is as unsure as the book says.
        price = rng.normal(PRICE, PRICE * PRICE_SPREAD / 1.959964, 4)[one.season - 2019]
        names = [f"{at}-{i}" for i in one.field]
        for i in range(4):
            truth[f"{at}-{i}"] = float((price * one.true)[one.field == i].sum()) >= cost
            costs[f"{at}-{i}"] = cost
        frames.append(
            pl.DataFrame(
                {
                    "field": names,
                    "season": one.season,
                    "practice": f"{PRACTICE} {at}",
                    "years_since": one.season - 2018,
                    "response_kg_ha": y,
                    "check_kg_ha": LEVEL,
                    "response_se_kg_ha": v**0.5,
                    "response_df": _shared_df(one),
                    "own_df": [d.size - 1.0 for d in one.differences],
                }
            )
        )
    found = pl.concat(frames).with_columns(
        operation_day=pl.lit(WORKED), crop=pl.lit("spring wheat")
    )
    # A practice a farm, so that only a farm's own fields speak for each other.
    fields = found.select("field", "practice").unique().sort("field")
    work = fields.with_columns(
        strip=pl.lit("treated"),
        day=pl.lit(WORKED),
        contract_cost_per_ha=pl.col("field").replace_strict(costs),
    )
    prices = pl.DataFrame({"season": [2019, 2020, 2021, 2022]}).with_columns(
        field=pl.lit("all"),
        crop=pl.lit("spring wheat"),
        price_per_kg=pl.lit(PRICE),
        price_low_per_kg=pl.lit(PRICE * (1 - PRICE_SPREAD)),
        price_high_per_kg=pl.lit(PRICE * (1 + PRICE_SPREAD)),
    )
    out = payback.derive(
        response=generated.conform(found, TABLES["response"]),
        strip_yield=generated.empty(TABLES["strip_yield"]),
        operation_cost=operation_cost.derive(generated.conform(work, TABLES["operation"])),
        price=generated.conform(prices, TABLES["price"]),
        cost=generated.empty(TABLES["cost"]),
        field=generated.conform(fields, TABLES["field"]),
        season=generated.empty(TABLES["season"]),
        operation=generated.empty(TABLES["operation"]),
        farm=generated.empty(TABLES["farm"]),
    )
    last = out.sort("field", "season").group_by("field", maintain_order=True).last()
    return last.select(said="paid_chance", true=pl.col("field").replace_strict(truth))


def reliability(trials: int) -> Iterator[dict[str, object]]:
    """``paid_chance`` beside the truth, prices unsure by a fifth; four fields a farm."""
    for between in (300.0, 150.0, 50.0, 0.0):
        for (low,), group in (
            paid(trials, between)
            .with_columns(band=(pl.col("said") * 5).floor().clip(0, 4) / 5)
            .sort("band")
            .group_by("band", maintain_order=True)
        ):
            yield {
                "spread between kg/ha": between,
                "said": f"{float(low):.1f} to {float(low) + 0.2:.1f}",
                "fields": group.height,
                "mean said %": 100 * float(group["said"].to_numpy().mean()),
                "truly paid %": 100 * float(group["true"].to_numpy().mean()),
            }


def fades(trials: int) -> Iterator[dict[str, object]]:
    """Judge a fade of 40 kg/ha a year over 4 fields followed for 2 to 5 seasons.

    Part of the spread is common to a field. Also the mean without a fade, as ``more_evidence`` has it.
    """
    # Spread in kg/ha → the shares of it that a field has in common.
    spreads = {0.0: (0.0,), 75.0: (0.0, 0.5), 150.0: (0.0, 0.5, 0.8), 300.0: (0.5,)}
    for between, share in ((b, s) for b, shares in spreads.items() for s in shares):
        rng = np.random.default_rng([6, int(between), int(10 * share)])
        level = change = mean = 0
        for _ in range(trials):
            one = farm(rng, [int(n) for n in rng.integers(2, 6, 4)], 0.0, between, share)
            y, v = _pooled_parts(one)
            t = one.season - 2018
            found = fade(y + 240.0 - 40.0 * (t - 1), v, t, one.field)
            assert found is not None
            at, by = found.fit.at([1.0, 0.0]), found.fit.at([0.0, 1.0])
            flat = fitted(y, v, np.ones((y.size, 1)), one.field).at([1.0])
            level += at.low <= 240.0 <= at.high
            change += by.low <= -40.0 <= by.high
            mean += flat.low <= 0.0 <= flat.high
        yield {
            "spread between kg/ha": between,
            "share of it common to a field": share,
            "first year covered %": 100 * level / trials,
            "yearly change covered %": 100 * change / trials,
            "mean covered %": 100 * mean / trials,
        }


def drivers(trials: int) -> Iterator[dict[str, object]]:
    """Seven site-years with eleven causes that do nothing: farms that claim any."""
    rng = np.random.default_rng(7)
    causes = ["seeding_water_share", "seeding_water_gain_mm", "capture_gain", "root_lead_d"]
    causes += ["water_use_gain_mm", "deep_uptake_gain_mm", "uptake_gain_mm"]
    causes += ["vegetation_peak_gain", "vegetation_area_gain_d", "green_up_later_d"]
    causes += ["senescence_later_d"]
    claimed, farms = 0, max(trials // 4, 1)
    for _ in range(farms):
        frame = pl.DataFrame(
            {name: rng.normal(size=7) for name in causes}
            | {"response_pct": rng.normal(5, 4, 7), "field": [f"f{i}" for i in range(7)]}
        ).with_columns(
            season=pl.lit(2019),
            practice=pl.lit(PRACTICE),
            operation_day=pl.lit(WORKED),
            shared_se_pct=pl.lit(2.0),
        )
        out = response_driver.derive(
            generated.conform(frame, as_made(TABLES["response_cause"])),
            generated.empty(TABLES["comparison"]),
        )
        claimed += (out["verdict"] != "cannot tell yet").any()
    share = 100 * claimed / farms
    yield {"farms": farms, "causes": len(causes), "site-years": 7, "farms that claim any %": share}


PARTS = {
    "Even ground: how often a response is claimed": even,
    "Interval of one site-year": intervals,
    "Interval along mapped strips": alike,
    "Pooled mean and the next site-year": pools,
    "Pooled mean where fields differ": shared_fields,
    "Probability of having paid": reliability,
    "Fade": fades,
    "Causes that do nothing": drivers,
}


def markdown(rows: list[dict[str, object]]) -> str:
    """Rows as a markdown table; shares to a tenth."""

    def cell(value: object) -> str:
        return f"{value:.1f}" if isinstance(value, float) else "" if value is None else str(value)

    head = list(rows[0])
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(cell(row[name]) for name in head) + " |" for row in rows]
    return "\n".join(lines)


def main(trials: int = 2000) -> None:
    """Print the section of FIGURES.md."""
    print(
        f"## The trial\n\n{trials} simulated trials a row: `python -m tests.bench.bench_trial`.\n"
    )
    for title, part in PARTS.items():
        start = time.monotonic()
        rows = list(part(trials))
        print(f"### {title}\n\n{part.__doc__}\n\n{markdown(rows)}\n", flush=True)
        print(f"{title}: {time.monotonic() - start:.0f} s", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
