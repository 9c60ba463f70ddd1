"""What may be shown: an attacker who adds and subtracts whatever is shown, and tries every few farms."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from transforms.trial.methods.disclosure import LEAST, shown

CROPS, SOILS = ("wheat", "canola", "lentil"), ("clay", "loam")


def cells(
    site_years: list[tuple[int, str, str]], known: set[int]
) -> tuple[pl.DataFrame, list[str]]:
    """Cells of totals over all, by crop and by soil, of site-years (farm, crop, soil)."""
    rows = pl.DataFrame(site_years, schema=["farm", "crop", "soil"], orient="row")
    totals = {"all": pl.lit(True)}
    totals |= {crop: pl.col("crop") == crop for crop in CROPS}
    totals |= {soil: pl.col("soil") == soil for soil in SOILS}
    there = [name for name, flag in totals.items() if not rows.filter(flag).is_empty()]
    flags = {name: totals[name] for name in there}
    made = rows.with_columns(known=pl.col("farm").is_in(sorted(known)), **flags)
    return made.select("farm", "known", *there).unique(maintain_order=True), there


def can_subtract(found: pl.DataFrame, totals: list[str]) -> set[int]:
    """Farms, up to four, that some combination of the totals is of alone; empty if there is none."""
    hidden = found.filter(~pl.col("known"))
    matrix = hidden.select(totals).cast(pl.Float64).to_numpy().T
    farms = hidden["farm"].to_numpy()
    if not matrix.size:
        return set()
    whole = np.linalg.matrix_rank(matrix)
    everyone = sorted(set(farms))
    for size in range(1, min(LEAST, len(everyone) + 1)):
        for few in combinations(everyone, size):
            rest = matrix[:, ~np.isin(farms, few)]
            # A combination that is zero for all others but not for these shows in the rank.
            if (np.linalg.matrix_rank(rest) if rest.size else 0) < whole:
                return set(few)
    return set()


site_years = st.lists(
    st.tuples(st.integers(0, 11), st.sampled_from(CROPS), st.sampled_from(SOILS)),
    min_size=1,
    max_size=40,
)


@given(site_years, st.sets(st.integers(0, 11), max_size=8))
def test_nobody_can_subtract_few_farms(drawn, known):
    made, totals = cells(drawn, known)
    kept = shown(made, totals)
    assert not can_subtract(made, kept)
    for total in kept:
        assert made.filter(pl.col(total))["farm"].n_unique() >= LEAST


def test_the_attacker_finds_what_is_not_suppressed():
    """Nine farms with wheat, two of them with lentil too: all less wheat is those two."""
    drawn = [(n, "wheat", "clay") for n in range(9)] + [(n, "lentil", "clay") for n in (1, 2)]
    made, _ = cells(drawn, set())
    assert can_subtract(made, ["all", "wheat"]) == {1, 2}
    assert shown(made, ["all", "wheat", "lentil"]) == ["all"]


def test_a_total_of_few_is_not_shown():
    made, totals = cells([(n, "wheat", "clay") for n in range(4)], set())
    assert shown(made, totals) == []
    made, totals = cells([(n, "wheat", "clay") for n in range(5)], set())
    assert shown(made, totals) == ["all", "wheat", "clay"]


def test_what_readers_know_hides_nobody():
    """Of six farms five are named: their rows are seen, so the sixth would follow."""
    made, totals = cells([(n, "wheat", "clay") for n in range(6)], {0, 1, 2, 3, 4})
    assert shown(made, totals) == []
    made, totals = cells([(n, "wheat", "clay") for n in range(6)], set(range(6)))
    assert shown(made, totals) == ["all", "wheat", "clay"]


def test_a_network_of_some_size_shows_nearly_all():
    rng = np.random.default_rng(1)
    drawn = [
        (farm, str(rng.choice(CROPS)), str(rng.choice(SOILS)))
        for farm in range(40)
        for _ in range(4)
    ]
    made, totals = cells(drawn, {1, 2, 3})
    assert shown(made, totals) == totals


def test_one_farms_own_crop_takes_another_total_with_it():
    """Twenty farms with wheat, twelve with canola, one with lentil: all but one total can be shown."""
    drawn = [(n, "wheat", "clay") for n in range(20)] + [(n, "canola", "loam") for n in range(12)]
    made, totals = cells([*drawn, (3, "lentil", "clay")], set())
    kept = shown(made, totals)
    assert "all" in kept and "lentil" not in kept
    assert not {"wheat", "canola"} <= set(kept)
