"""Claims on real ground where nothing was applied: ``python -m tests.bench.bench_uniformity FOLDER``.

FOLDER holds published uniformity trials, one text file each (columns row, col, yield, and year, crop,
field or the like), as the open collection agridat (K. Wright, MIT license) has them in ``data/``; its
pages name each original paper. They are not part of this repository. A trial's columns, and its rows,
are passes: the mean of up to 24 plots along. Two strips of B neighboring passes are laid wherever they
fit without overlap; what one yields over the other is ground, so every claim is false. ``SPREAD_POWER``
of ``transforms/trial/methods/ground.py`` was set on the first, third, ... trial by name (half 0) and is
judged on the others (half 1). The years are of the trials whose pages say that they had the same land.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import ndimage, stats

from tests.bench.bench_trial import markdown
from transforms.trial import response_along, response_by_ground
from transforms.trial.methods.map_sections import SHORTEST_M
from transforms.trial.methods.response_words import LEAST_DF
from transforms.trial.methods.site_year_error import with_error
from transforms.trial.methods.site_years import counted_by, widest
from transforms.trial.methods.trial_pooling import pooled

Array = NDArray[np.float64]
Place = tuple[str, int, Array]  # field, season, differences of the blocks in percent

VALUES = ("yield", "grain", "peas", "roots")
APART = ("year", "crop", "expt", "loc", "field", "block", "season", "trial", "range", "series")
# Trees, single plants, pots, tiny plots: not ground as passes of a combine see it.
LEFT_OUT = (
    *("batchelor", "parker", "paez", "eden", "rau", "strickland", "laycock", "kirk", "heath"),
    *("garber.frames", "magistad", "nagai", "baker.strawberry", "wehner", "coombs", "igue"),
    *("love.sugarcane", "evans", "sayer", "kerr", "barrantesaguilar", "borden", "moore", "shafi"),
    *("hartman", "nair", "nonnecke.sweetcorn", "bradley", "beckett", "wassom", "obsi", "lehmann"),
    *("oliveira.potato", "morgan"),
)
LONGEST = 24  # plots along a pass
# Harvested for several years on the same land, as the collection's pages say. Grain or root of a year, one crop a
# season; montgomery's two years are drawn in two directions.
SAME_LAND = (
    *(
        "baker.barley",
        "bose.multi",
        "garber.multi",
        "hansen.multi",
        "harris.multi",
        "kulkarni.sorghum",
    ),
    *(
        "lander.multi",
        "metzger.multi",
        "roemer.sugarbeet",
        "sawyer.multi",
        "siao.cotton",
        "smith.corn",
    ),
    *("summerby.multi", "wyatt.multi"),
)
SAME_CROP = ("straw", "stover", "leafwt", "rootct", "alfalfa2", "alfalfa3", "1931b")
MOST_YEARS = 10


def trials(folder: Path) -> dict[str, dict[tuple[str, ...], Array]]:
    """By trial and part of it: plots as a grid, in percent of its mean."""
    found: dict[str, dict[tuple[str, ...], Array]] = {}
    for path in sorted(folder.glob("*.txt")):
        name = path.name.removesuffix(".uniformity.txt")
        if name.startswith(LEFT_OUT):
            continue
        rows = [[w.strip('"') for w in line.split()] for line in path.read_text().splitlines()]
        rows = [row for row in rows if len(row) == len(rows[0])]
        frame = pl.DataFrame(rows[1:], schema=dict.fromkeys(rows[0], pl.String), orient="row")
        if name == "harris.multi":
            frame = frame.rename({"plot": "col"}).with_columns(row=pl.lit("1"))
        value = next((v for v in VALUES if v in frame.columns), None)
        if value is None or not {"row", "col"} <= set(frame.columns):
            continue
        by = [c for c in APART if c in frame.columns] or [pl.lit("all")]
        for key, part in frame.group_by(by, maintain_order=True):
            grid = _grid(part, value)
            if grid is not None:
                found.setdefault(name, {})[tuple(map(str, key))] = grid
    return found


def _grid(part: pl.DataFrame, value: str) -> Array | None:
    number = part.select(
        pl.col("row", "col").cast(pl.Int64), v=pl.col(value).cast(pl.Float64, strict=False)
    )
    at = number.select(pl.col("row", "col") - pl.col("row", "col").min()).to_numpy()
    grid = np.full(at.max(axis=0) + 1, np.nan)
    grid[at[:, 0], at[:, 1]] = number["v"].fill_null(float("nan")).to_numpy()
    known = np.isfinite(grid)
    if known.sum() < 20 or grid[known].mean() <= 0:
        return None
    return np.asarray(100 * grid / grid[known].mean())


def runs(grid: Array) -> Iterator[tuple[int, int, Array]]:
    """Yield passes side by side, as (direction, start, yield of each), both ways over a grid."""
    for way, plots in enumerate((grid, grid.T)):
        length = plots.shape[0] if plots.shape[0] <= LONGEST else LONGEST - 4
        for start in range(0, plots.shape[0] - length + 1, length):
            with np.errstate(all="ignore"):
                part = plots[start : start + length]
                known = np.isfinite(part)
                yield (
                    way,
                    start,
                    np.nansum(part, axis=0) / np.where(known.any(0), known.sum(0), np.nan),
                )


def pairs(passes: Array, blocks: int, *, mirrored: bool) -> Iterator[tuple[int, Array]]:
    """Yield (place, differences in percent) of two strips side by side, wherever they fit."""
    for at in range(0, passes.size - 2 * blocks + 1, 2 * blocks):
        both = passes[at : at + 2 * blocks]
        if np.isfinite(both).all():
            treated, check = both[:blocks], both[blocks:]
            first = treated[::-1] if mirrored else treated
            yield at, 100 * (first - check) / both.mean()


def judged(places: list[Place], before: int = 0) -> pl.DataFrame:
    """Site-years through the program's own error; ``before``: seasons before the work."""
    first = min(season for _, season, _ in places) + before
    rows = [
        {
            "field": field,
            "season": season,
            "practice": "none",
            "method": "plots",
            "blocks": d.size,
            "operation_day": None if season < first else date(2000, 1, 1),
            "check_worked": False,
            "randomized": None,
            "block_kind": None,
            "own_se_kg_ha": float(d.std(ddof=1)) / d.size**0.5,
            "response_kg_ha": float(d.mean()),
            "check_kg_ha": 100.0,
        }
        for field, season, d in places
    ]
    kinds = {"operation_day": pl.Date, "randomized": pl.String, "block_kind": pl.String}
    out = with_error(pl.DataFrame(rows, schema_overrides=kinds))
    return out.filter(pl.col("operation_day").is_not_null())


def claimed(found: pl.DataFrame) -> Array:
    """Whether each site-year would be called a gain or a loss."""
    t = (found["response_kg_ha"] / found["response_se_kg_ha"]).abs().to_numpy()
    df = found["response_df"].to_numpy()
    return np.asarray((t > stats.t.ppf(0.975, df)) & (df >= LEAST_DF), dtype=np.float64)


def pooled_claim(found: pl.DataFrame) -> float | None:
    """Whether all site-years together would be called; None under three."""
    if found.height < 3:
        return None
    y, se = found["response_kg_ha"].to_numpy(), found["response_se_kg_ha"].to_numpy()
    known = found.select(
        "field",
        "season",
        value="response_kg_ha",
        error="response_se_kg_ha",
        lasting="lasting_se_kg_ha",
    )
    return float(widest(counted_by(known, pooled(y, se**2).cautious))[1].p <= 0.05)


def _row(name: dict[str, object], sites: list[float], pools: list[float]) -> dict[str, object]:
    return {
        **name,
        "farms": len(sites),
        "site-years claimed %": 100 * float(np.mean(sites)),
        "pooled: farms": len(pools),
        "pooled claimed %": 100 * float(np.mean(pools)) if pools else None,
    }


def one_year(
    found: dict[str, dict[tuple[str, ...], Array]], half: int
) -> Iterator[dict[str, object]]:
    """Twelve places of a trial as four fields of three seasons, sides by a coin or always the same."""
    for blocks in (2, 3, 5, 10):
        for side in ("coin", "same side"):
            rng = np.random.default_rng([3, blocks])
            sites: list[float] = []
            pools: list[float] = []
            for name in sorted(found)[half::2]:
                for mirrored in (False, True):
                    d = [
                        one
                        for grid in found[name].values()
                        for *_, passes in runs(grid)
                        for _, one in pairs(passes, blocks, mirrored=mirrored)
                    ]
                    if len(d) < 3:
                        continue
                    chosen = rng.permutation(len(d))[:12]
                    sign = (
                        rng.choice([-1, 1], chosen.size) if side == "coin" else np.ones(chosen.size)
                    )
                    places = [
                        (f"f{i % 4}", 2019 + i // 4, d[j] * sign[i]) for i, j in enumerate(chosen)
                    ]
                    _judge(judged(places), sites, pools)
            yield _row({"half": half, "passes a strip": blocks, "sides": side}, sites, pools)


def _judge(found: pl.DataFrame, sites: list[float], pools: list[float]) -> None:
    sites.append(float(claimed(found).mean()))
    pool = pooled_claim(found)
    if pool is not None:
        pools.append(pool)


def years_of(name: str, parts: dict[tuple[str, ...], Array]) -> list[list[Array]]:
    """Return the plots of each piece of land of a trial, by year; empty unless it was the same land."""
    land: dict[tuple[object, ...], dict[int, Array]] = {}
    for key, grid in parts.items() if name in SAME_LAND else ():
        if any(word in part for word in SAME_CROP for part in key):
            continue
        piece = (*(part for part in key[1:] if re.fullmatch(r"[A-Z]?\d", part)), grid.shape)
        land.setdefault(piece, {}).setdefault(int(key[0][:4]), grid)
    series = [[by_year[year] for year in sorted(by_year)] for by_year in land.values()]
    return [years[:MOST_YEARS] for years in series if len(years) > 1]


def same_plots(
    found: dict[str, dict[tuple[str, ...], Array]], half: int
) -> Iterator[dict[str, object]]:
    """The same strips over the years of a trial: one or four fields, none to two seasons before.

    Up to twelve draws of places of each piece of land; each trial counts the same.
    """
    for blocks in (2, 3, 5, 10):
        for fields in (1, 4):
            for before in (0, 1, 2):
                sites: list[float] = []
                pools: list[float] = []
                for at, name in enumerate(sorted(found)):
                    if at % 2 != half:
                        continue
                    rng = np.random.default_rng([7, blocks, fields, at])
                    own: list[float] = []
                    for years in years_of(name, found[name]):
                        strips = _over_years(years, blocks)
                        if len(years) <= before or not strips:
                            continue
                        for _ in range(12 if fields > 1 else min(len(strips), 12)):
                            chosen = rng.permutation(len(strips))[:fields]
                            sign = rng.choice([-1, 1], chosen.size)
                            places = [
                                (f"f{i}", 2019 + y, d * sign[i])
                                for i, j in enumerate(chosen)
                                for y, d in enumerate(strips[j])
                            ]
                            _judge(judged(places, before), own, pools)
                    if own:
                        sites.append(float(np.mean(own)))
                row = {
                    "half": half,
                    "passes a strip": blocks,
                    "fields": fields,
                    "seasons before": before,
                    "trials": len(sites),
                    "site-years claimed %": 100 * float(np.mean(sites)),
                    "standard error": 100 * float(np.std(sites, ddof=1)) / len(sites) ** 0.5,
                }
                yield row | {
                    "pooled: farms": len(pools),
                    "pooled claimed %": 100 * float(np.mean(pools)) if pools else None,
                }


def _over_years(years: list[Array], blocks: int) -> list[list[Array]]:
    """Each place with its differences in every year; places that lack a year are left out."""
    by_place: dict[tuple[int, int, int], list[Array]] = {}
    for grid in years:
        for way, start, passes in runs(grid):
            for at, d in pairs(passes, blocks, mirrored=False):
                by_place.setdefault((way, start, at), []).append(d)
    return [d for d in by_place.values() if len(d) == len(years)]


def along(found: dict[str, dict[tuple[str, ...], Array]], half: int) -> Iterator[dict[str, object]]:
    """Two strips of plots side by side along their grid, plots taken for squares: is a difference claimed?

    Each trial counts the same; places with too few sections are left out.
    """
    for width in (1, 2, 3, 5):
        points, trial_of = [], {}
        for name in sorted(found)[half::2]:
            for i, both in enumerate(_strips(found[name], width)):
                trial_of[f"{name} {i}"] = name
                points.append(_as_points(f"{name} {i}", both, width))
        compared = pl.DataFrame({"field": list(trial_of), "season": 2024, "block": "1"})
        season = compared.with_columns(crop=pl.lit("wheat"))
        out = response_along.derive(pl.concat(points), compared, season).filter(
            (pl.col("part") == 1) & (pl.col("verdict") != "too few")
        )
        out = out.with_columns(trial=pl.col("field").replace_strict(trial_of))
        claims = out.group_by("trial").agg((pl.col("verdict") == "differs").mean())["verdict"]
        yield {
            "half": half,
            "passes a strip": width,
            "trials": claims.len(),
            "strips": out.height,
            "claimed %": 100 * float(claims.to_numpy().mean()),
            "standard error": 100 * float(claims.to_numpy().std(ddof=1)) / claims.len() ** 0.5,
        }


MAPS = ("slope", "smooth", "patches", "yield")


def by_ground(
    found: dict[str, dict[tuple[str, ...], Array]], half: int
) -> Iterator[dict[str, object]]:
    """The same strips by kind of ground, of four maps: what is claimed where nothing was applied, and found.

    Sections are as long as a strip is wide. Maps along the strips: a slope; a smooth surface and patches of
    three classes that have nothing to do with the yield; the yield of both strips, smoothed. Found: where the
    treated strip yields 10 % more on the highest third alone. Each trial counts the same.
    """
    for kind in MAPS:
        for width in (1, 2, 3, 5):
            row: dict[str, object] = {"half": half, "map": kind, "passes a strip": width}
            for gain, word in ((0.0, "claimed %"), (0.1, "found %")):
                rng = np.random.default_rng([11, width])
                frames, trial_of = [], {}
                for name in sorted(found)[half::2]:
                    for i, plots in enumerate(_strips(found[name], width)):
                        whole = len(plots) // width
                        if not whole:
                            continue
                        both = plots[: whole * width].reshape(whole, width, -1).mean(axis=1)
                        trial_of[f"{name} {i}"] = name
                        frames.append(_as_sections(f"{name} {i}", both, kind, rng, gain))
                out = response_by_ground.compared_by_kind(pl.concat(frames))
                out = out.filter(pl.col("verdict") != "too few").unique("field")
                out = out.with_columns(trial=pl.col("field").replace_strict(trial_of))
                differs = (pl.col("verdict") == "differs").mean()
                share = out.group_by("trial").agg(differs)["verdict"].to_numpy()
                row |= {"trials": share.size, "strips": out.height, word: 100 * float(share.mean())}
                if not gain:
                    row["standard error"] = 100 * float(share.std(ddof=1)) / share.size**0.5
            yield row


def _strips(parts: dict[tuple[str, ...], Array], width: int) -> Iterator[Array]:
    """Yield the plots of two strips side by side, wherever they fit, both ways over each grid."""
    for grid in parts.values():
        for plots in (grid, grid.T):
            for at in range(0, plots.shape[1] - 2 * width + 1, 2 * width):
                both = plots[:, at : at + 2 * width]
                known = both[np.isfinite(both).all(axis=1)]
                if len(known):
                    yield known


def _as_sections(
    field: str, both: Array, kind: str, rng: np.random.Generator, gain: float
) -> pl.DataFrame:
    """Return the plots of two strips as sections with what a map says of them."""
    n, width = len(both), both.shape[1] // 2
    wide = rng.uniform(1.5, 5.0)
    surface = ndimage.gaussian_filter1d(rng.normal(size=n), wide, mode="nearest")
    maps = {
        "slope": np.arange(float(n)),
        "smooth": surface,
        "patches": np.digitize(surface, np.quantile(surface, (1 / 3, 2 / 3))).astype(float),
        "yield": ndimage.gaussian_filter1d(both.mean(axis=1), 1.5, mode="nearest"),
    }
    ground = maps[kind]
    highest = ground > np.quantile(ground, 2 / 3) if kind != "patches" else ground == 2
    return pl.DataFrame(
        {
            "field": field,
            "season": 2024,
            "ground_map": kind,
            "place_m": np.arange(n) * SHORTEST_M,
            "treated": 30 * both[:, :width].mean(axis=1) * (1 + gain * highest),
            "check": 30 * both[:, width:].mean(axis=1),
            "ground": ground,
            "classes": kind == "patches",
        }
    )


def _as_points(field: str, both: Array, width: int) -> pl.DataFrame:
    """Return the plots of two strips as points of a map, a section long each."""
    place = (np.arange(len(both)) + 0.5) * SHORTEST_M
    sides = (("treated", both[:, :width]), ("check", both[:, width:]))
    return pl.concat(
        pl.DataFrame(
            {
                "field": field,
                "season": 2024,
                "strip": side,
                "kept": True,
                "crossed": False,
                "border_m": width * SHORTEST_M / 2,
            }
            | {"ahead_m": place, "across_m": 0.0, "north_m": place, "east_m": 0.0}
            | {"yield_kg_ha": 30 * plots.mean(axis=1)}
        )
        for side, plots in sides
    )


def main(folder: str) -> None:
    """Print the section of FIGURES.md."""
    found = trials(Path(folder))
    parts = {
        "Places": one_year,
        "Years": same_plots,
        "Along the strips": along,
        "By kind of ground": by_ground,
    }
    for title, part in parts.items():
        rows = [row for half in (0, 1) for row in part(found, half)]
        print(f"#### {title}\n\n{part.__doc__}\n\n{markdown(rows)}\n", flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
