"""How well the health checks tell clogged gauges, stuck sensors and moved probes from sound ones.

    python -m tests.bench.bench_health [FIRST_SEED] [SEEDS]

Rules were set on seeds below 1,000; judge them on seeds from 1,000 (the default). A clogged month
counts if enough rain fell in it to see (20 mm on four days of 2 mm or more well above freezing);
it is found if 'gauge blocked' or 'gauge dry' covers part of it.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

import polars as pl

from tests.bench.health_farm import Made, Recipe, make

LEAST_MM, LEAST_DAYS = 20.0, 4
RECIPES: dict[str, Recipe] = {
    "two fields": Recipe(),
    "one field and a far neighbor": Recipe(fields=1, alone=1, alone_km=(12.0, 24.0)),
    "one strip's station each, storms narrow": Recipe(fields=3, storms_km=(20.0, 40.0)),
    "gauges clogged often": Recipe(fields=2, clogged_share=0.2),
    "stations only, no field": Recipe(fields=1, alone=4, alone_km=(2.0, 10.0)),
    "coarse first years, many fronts": Recipe(coarse_first_year=1.0, fronts=0.9, stuck=0.8),
}


@dataclass
class Score:
    """Counts over farms."""

    clogged: int = 0
    found: int = 0
    sound: int = 0
    false_months: int = 0
    false_hands: int = 0
    instrument_years: float = 0.0
    stuck: int = 0
    stuck_found: int = 0
    kinds: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    pulled: int = 0
    pulled_found: int = 0

    def row(self, name: str) -> str:
        """Return the row of the table in FIGURES.md."""
        return (
            f"| {name} | {self.found} of {self.clogged} ({_pct(self.found, self.clogged)}) "
            f"| {self.false_months} of {self.sound} ({_pct(self.false_months, self.sound)}) "
            f"| {self.stuck_found} of {self.stuck} | {self.pulled_found} of {self.pulled} "
            f"| {self.false_hands / max(self.instrument_years, 1e-9):.2f} |"
        )


def _pct(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}%" if whole else "none"


def score(made: Made, into: Score) -> pl.DataFrame:
    """Add a farm to the score; return its false findings of the highest severity."""
    found = made.health.filter((pl.col("state") == "found") & (pl.col("severity") == "hands"))
    gauge = found.filter(pl.col("finding").is_in(["gauge blocked", "gauge dry"])).select(
        "instrument", "finding", "from_day", "to_day"
    )
    months = made.catch.filter(
        (pl.col("rain_mm") >= LEAST_MM) & (pl.col("wet") >= LEAST_DAYS)
    ).with_columns(last=pl.col("month").dt.month_end(), clogged=pl.col("catch") < 0.9)
    hit = (
        months.join(gauge, left_on="station", right_on="instrument")
        .filter((pl.col("from_day") <= pl.col("last")) & (pl.col("to_day") >= pl.col("month")))
        .select("station", "month")
        .unique()
        .with_columns(hit=pl.lit(True))
    )
    months = months.join(hit, on=["station", "month"], how="left").with_columns(
        pl.col("hit").fill_null(False)
    )
    clogged, sound = months.filter("clogged"), months.filter(~pl.col("clogged"))
    into.clogged += clogged.height
    into.found += clogged["hit"].sum()
    into.sound += sound.height
    into.false_months += sound["hit"].sum()
    years = made.catch["month"].n_unique() / 12
    instruments = made.tables["station_spell"].height + made.tables["probe_spell"].height
    into.instrument_years += years * instruments
    return _false(made, found, into)


def _false(made: Made, found: pl.DataFrame, into: Score) -> pl.DataFrame:
    """Findings with nothing true behind them; count what is true and found of sensors and probes."""
    clogged = made.catch.filter(pl.col("catch") < 0.9)
    wrong = []
    for row in found.to_dicts():
        a, b = row["from_day"], row["to_day"]
        if row["finding"] in ("gauge blocked", "gauge dry"):
            true = clogged.filter(
                (pl.col("station") == row["instrument"])
                & (pl.col("month") <= b)
                & (pl.col("month").dt.month_end() >= a)
            ).height
        elif row["finding"] == "stuck":
            true = any(
                (s.probe, s.depth_cm) == (row["instrument"], row["depth_cm"])
                and s.first <= b
                and s.last >= a
                for s in made.stuck
            )
        else:
            true = row["finding"] == "probe disturbed" and any(
                p == row["instrument"] and a <= day <= b for p, day in made.pulled
            )
        if not true:
            wrong.append(row)
    into.false_hands += len(wrong)
    into.stuck += len(made.stuck)
    into.pulled += len(made.pulled)
    spans = found.filter(pl.col("finding") == "stuck")
    for s in made.stuck:
        hit = not spans.filter(
            (pl.col("instrument") == s.probe)
            & (pl.col("depth_cm") == s.depth_cm)
            & (pl.col("from_day") <= s.last)
            & (pl.col("to_day") >= s.first)
        ).is_empty()
        into.stuck_found += hit
        into.kinds.update((name, kind, hit) for name, kind in s.kinds.items())
    moved = found.filter(pl.col("finding") == "probe disturbed")
    into.pulled_found += sum(
        moved.filter(
            (pl.col("instrument") == p) & pl.lit(day).is_between("from_day", "to_day")
        ).height
        > 0
        for p, day in made.pulled
    )
    return pl.DataFrame(wrong, schema=found.schema)


def main() -> None:
    """Print the table of FIGURES.md."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    number = int(sys.argv[2]) if len(sys.argv) > 2 else 12
    print("| recipe | clogged months found | sound months called clogged | stuck | moved | false |")
    print("| --- | --- | --- | --- | --- | --- |")
    total = Score()
    wrong = []
    for name, recipe in RECIPES.items():
        one = Score()
        wrong += [score(make(recipe, seed), one) for seed in range(first, first + number)]
        for key, value in vars(one).items():
            setattr(total, key, getattr(total, key) + value)
        print(one.row(name), flush=True)
    print(total.row("all"))
    print("\n| stuck sensors by | kind | found |\n| --- | --- | --- |")
    for name, kind in sorted({key[:2] for key in total.kinds}):
        hits, misses = total.kinds[name, kind, True], total.kinds[name, kind, False]
        print(f"| {name} | {kind} | {hits} of {hits + misses} ({_pct(hits, hits + misses)}) |")
    print(pl.concat(wrong).group_by("finding").len().sort("len", descending=True))


if __name__ == "__main__":
    main()
