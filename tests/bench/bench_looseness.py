"""False answers to 'is the ground still loose?': ``python -m tests.bench.bench_looseness [FOLDER]``.

Simulated farms first: no effect, fields (Student's t with 4 degrees of freedom) and years that scatter
as said. Then, with FOLDER, real ground on which nothing was applied: the published uniformity trials
that were harvested for years on the same plots (``harris_multi``, ``baker_barley``; agridat, K. Wright,
MIT license). Neighboring plots are the treated and the check strip of a field, the yield of a year
stands for what is measured in a year since the work; every claim is false. The t of
``ground_looseness_change`` was set on simulated seeds below 8,000 and is judged on those above.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.bench.bench_trial import markdown
from transforms.trial import ground_looseness_change

FARMS = 400
YEARS = 6
LOOSE = -np.log(0.75)  # a cone index that is a quarter less, in every year
TRIALS = {"harris_multi": ("series", "plot", "crop"), "baker_barley": ("row", "col", None)}
SCATTERS = ((0.1, 0.05), (0.03, 0.1), (0.1, 0.1))  # of fields, of years, as shares
SIZES = ((3, (1, 1, 2)), (3, (2,)), (4, (1,)), (6, (1,)), (3, (4,)), (6, (3,)))


def claims(rows: list[tuple[int, str, int, float]]) -> dict[str, object]:
    """Share of farms with a claim; ``rows``: farm, field, year and logarithm of treated by check."""
    frame = pl.DataFrame(rows, ["practice", "field", "year", "log"], orient="row")
    given = generated.conform(
        frame.select(
            pl.col("practice").cast(pl.String),
            "field",
            "year",
            operation_day=pl.date(2015, 10, 1),
            cone_to_cm=30.0,
            cone_index_pct=100 * (pl.col("log").exp() - 1),
            days_seen=1,
            coverage=1.0,
            partial=False,
        ),
        TABLES["ground_looseness"],
    )
    out = ground_looseness_change.derive(given, generated.empty(TABLES["comparison"]))
    level = out.filter(pl.col("verdict") != "too few")
    slope = out.filter(pl.col("change_pct").is_not_null())
    return {
        "farms": out.height,
        "last year": f"{level['verdict'].is_in(['still loose', 'harder']).mean():.1%}",
        "change": f"{(slope['change_verdict'] != 'cannot tell yet').mean():.1%}",
    }


def simulated(seed: int) -> list[dict[str, object]]:
    """Farms of all sizes and scatters, without any effect."""
    rng = np.random.default_rng(seed)
    out: list[dict[str, object]] = []
    for fields, many in SIZES:
        for between, within in SCATTERS:
            rows, loose = [], []
            for farm in range(FARMS):
                for field in range(fields):
                    ground = between * rng.standard_t(4) / 2**0.5
                    for year in rng.choice(YEARS, many[field % len(many)], replace=False):
                        value = float(ground + within * rng.normal())
                        rows.append((farm, f"field {field}", int(year) + 1, value))
                        loose.append((farm, f"field {field}", int(year) + 1, value - LOOSE))
            size = f"{fields} x {'/'.join(map(str, many))}"
            out.append(
                {
                    "fields x years": size,
                    "scatter of fields": f"{between:.0%}",
                    "of years": f"{within:.0%}",
                }
                | claims(rows)
                | {"a quarter less is shown": claims(loose)["last year"]}
            )
    return out


def real(folder: Path, seed: int) -> list[dict[str, object]]:
    """Farms laid over real ground; a field is a pair of neighboring plots."""
    rng = np.random.default_rng(seed)
    out: list[dict[str, object]] = []
    for name, (row, plot, crop) in TRIALS.items():
        frame = pl.read_csv(folder / f"{name}_uniformity.csv").sort("year")
        frame = frame.with_columns(
            season=pl.col("year").cast(pl.String) + (pl.col(crop) if crop else "")
        )
        pair = ((pl.col(plot) - 1) // 2).cast(pl.Int64)
        places = (
            frame.with_columns(field=pl.format("{} {}", row, pair), side=pl.col(plot) % 2)
            .group_by("field", "season", maintain_order=True)
            .agg(pl.col("side", "yield").sort_by("side"))
            .filter(pl.col("side").list.len() == 2)
            .with_columns(
                log=pl.col("yield").list.last().log() - pl.col("yield").list.first().log()
            )
        )
        seasons = places["season"].unique(maintain_order=True).to_list()
        names = places["field"].unique(maintain_order=True).to_list()
        value = {(f, s): v for f, s, v in places.select("field", "season", "log").rows()}
        for fields, years in ((3, 2), (3, 4), (6, 3)):
            rows = []
            for farm in range(FARMS):
                start = int(rng.integers(len(seasons) - years + 1))
                for field in rng.choice(names, fields, replace=False):
                    sign = rng.choice([-1.0, 1.0])
                    for year, season in enumerate(seasons[start : start + years], start=1):
                        if (log := value.get((field, season))) is not None and np.isfinite(log):
                            rows.append((farm, str(field), year, float(sign * log)))
            out.append({"trial": name, "fields x years": f"{fields} x {years}"} | claims(rows))
    return out


def main() -> None:
    print(markdown(simulated(9000)))
    if len(sys.argv) > 1:
        print(markdown(real(Path(sys.argv[1]), 9001)))


if __name__ == "__main__":
    main()
