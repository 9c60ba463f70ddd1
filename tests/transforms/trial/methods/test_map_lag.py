from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.transforms import invented_map
from tests.transforms.invented_map import driven, outlines
from transforms.trial import yield_point_cleaned
from transforms.trial.methods.map_lag import lag_of

EASTS = [invented_map.WIDTH * (k + 0.5) for k in range(16)]
SIDES = outlines(("treated", 0, 72, 0, 600), ("check", 72, 144, 0, 600))
BANDS = outlines(("check", 0, 144, 200, 300), ("treated", 0, 144, 300, 400))


def ground(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Waves of some hundred meters: wave numbers [1/m] and phases."""
    rng = np.random.default_rng(seed)
    return rng.normal(0, 1 / 30, (30, 2)), rng.uniform(0, 2 * np.pi, 30)


def truth(seed: int, effect: float = 0.0):
    waves, phase = ground(seed)

    def at(east: float, north: float) -> float:
        uneven = float(np.cos(waves @ [east, north] + phase).sum()) / 15**0.5
        return 3400 * (1 + 0.12 * uneven) + (effect if north >= 300 else 0.0)

    return at


def clean(points: pl.DataFrame, lines: pl.DataFrame = SIDES) -> pl.DataFrame:
    return yield_point_cleaned.derive(points, lines, invented_map.SEASON, invented_map.CROP)


@pytest.mark.parametrize("lag", [0, 3, 6, 12])
def test_a_known_lag_is_found_and_taken_off(lag: int) -> None:
    """The combine's own truth: the lag is put in by the second and comes back within one."""
    field = truth(1)
    points = driven(field, EASTS, (-40, 640), lag_s=lag, noise=150, seed=2)
    out = clean(points)
    assert out["lag_s"][0] == pytest.approx(lag, abs=1)
    kept = out.filter("kept")
    places = kept.join(points.select("point", "longitude_deg", "latitude_deg"), on="point")
    norths = (places["latitude_deg"] - invented_map.LATITUDE) * invented_map.M_A_DEGREE[1]
    easts = (places["longitude_deg"] - invented_map.LONGITUDE) * invented_map.M_A_DEGREE[0]
    true = [field(e, n) for e, n in zip(easts, norths, strict=True)]
    off = places["yield_kg_ha"].to_numpy() - np.array(true)
    assert off.std() < 200  # the noise of 150 and the way of one point; with 12 s of lag left, 480


def test_a_lag_that_the_export_gives_stands() -> None:
    points = driven(truth(1), EASTS, (-40, 640), lag_s=6, noise=150)
    out = clean(points.with_columns(lag_s=pl.lit(4.0)))
    assert out["lag_s"].unique().to_list() == [4.0]
    none = clean(points.with_columns(time=pl.lit(None, pl.Datetime("us", "UTC"))))
    assert none["lag_s"].unique().to_list() == [None]  # no clock, so no lag can be taken off


def test_even_ground_and_passes_driven_one_way_show_no_lag() -> None:
    even = clean(driven(lambda *_: 3400.0, EASTS, (-40, 640), lag_s=6, noise=150))
    assert even["lag_s"].unique().to_list() == [0.0]
    one_way = driven(truth(1), EASTS[::2], (-40, 640), lag_s=6)
    turned = one_way.sort(pl.col("longitude_deg").round(6), "latitude_deg").with_columns(
        point=pl.int_range(1, pl.len() + 1), time=one_way["time"]
    )
    assert clean(turned)["lag_s"].unique().to_list() == [None]


def test_a_crossed_trial_with_a_lag_gives_the_response_back() -> None:
    """400 kg/ha more on the treated band; with 8 s (16 m) of lag left in, much of it would be lost."""
    gaps = []
    for seed in range(4):
        points = driven(truth(seed, 400.0), EASTS, (-40, 640), lag_s=8, noise=100, seed=seed)
        plain = driven(truth(seed), EASTS, (-40, 640), lag_s=8, noise=100, seed=seed)
        means = [
            dict(
                clean(p, BANDS)
                .filter("kept")
                .group_by("strip")
                .agg(pl.col("yield_kg_ha").mean())
                .iter_rows()
            )
            for p in (points, plain)
        ]
        with_effect, without = (m["treated"] - m["check"] for m in means)
        gaps.append(with_effect - without)
    assert np.mean(gaps) == pytest.approx(400, abs=20)


def test_few_lines_tell_nothing() -> None:
    few = driven(truth(3), EASTS[:4], (-40, 640), lag_s=6)
    assert clean(few)["lag_s"].unique().to_list() == [None]
    assert lag_of(clean(few).head(0).with_columns(line=1, value=1.0, speed_km_h=7.0), 9.0) is None
