import numpy as np
import pytest

from transforms.root_onset import BY_BALANCE, BY_PULSE, Array, onset, quiet_until

DAYS = 120


def series(start: float | None, height: float = 0.4, noise: float = 0.08, seed: int = 0) -> Array:
    """Uptake that begins at ``start`` and rises within ten days, fitful as weather makes it."""
    rng = np.random.default_rng(seed)
    day = np.arange(DAYS)
    rise = np.zeros(DAYS) if start is None else np.clip((day - start) / 10, 0, 1)
    fitful = rng.uniform(0.4, 1.4, DAYS)
    return np.asarray(height * rise * fitful + rng.normal(0, noise, DAYS))


@pytest.mark.parametrize("start", [20, 50, 85])
def test_finds_the_start(start: int) -> None:
    found = np.array([onset(series(start, seed=s)).day for s in range(20)])
    # The front is put a fifth into the rise of ten days.
    assert abs(np.median(found) - (start + 2)) < 2
    assert np.quantile(np.abs(found - start - 2), 0.9) < 5


def test_its_interval_holds_the_start() -> None:
    found = [onset(series(50, seed=s)) for s in range(40)]
    assert sum(f.low <= 52 <= f.high for f in found) >= 34
    assert all(f.low <= f.day <= f.high for f in found)
    noisy = np.median(
        [f.high - f.low for f in (onset(series(50, noise=0.2, seed=s)) for s in range(20))]
    )
    assert noisy > np.median([f.high - f.low for f in found])


@pytest.mark.parametrize("noise", [0.03, 0.08, 0.2])
def test_noise_alone_is_no_onset(noise: float) -> None:
    seen = [np.isfinite(onset(series(None, noise=noise, seed=s)).day) for s in range(400)]
    assert sum(seen) <= 4


def test_one_noisy_day_or_a_few_are_no_onset() -> None:
    seen = []
    for seed in range(20):
        values = series(None, seed=seed)
        values[40] = 5.0
        assert np.isnan(onset(values).day)
        values[40:44] = 0.4  # four days of it, then nothing
        seen.append(np.isfinite(onset(values).day))
    assert sum(seen) <= 1


def test_gaps_are_gaps() -> None:
    values = series(50)
    values[30:44] = np.nan
    values[60::3] = np.nan
    assert onset(values).day == pytest.approx(52, abs=5)
    assert np.isnan(onset(np.full(DAYS, np.nan)).day)
    assert np.isnan(onset(np.array([1.0, 1.0])).day)


def test_a_balance_needs_clearer_uptake_than_a_pulse() -> None:
    slow = series(50, height=0.15, noise=0.02)
    assert np.isfinite(onset(slow, BY_PULSE).day)
    assert np.isnan(onset(slow, BY_BALANCE).day)


def test_quiet_until_weak_uptake_shows() -> None:
    weak = [quiet_until(series(60, height=0.08, seed=s)) for s in range(20)]
    assert np.quantile(weak, 0.9) <= 62
    assert max(weak) <= 75
    assert np.isnan(onset(np.full(DAYS, 0.0)).day)
    assert quiet_until(np.zeros(DAYS)) == DAYS - 14
    assert quiet_until(np.full(DAYS, np.nan)) == -1
