import numpy as np
import pytest

from tests.transforms.roots.uptake_series import DAYS, series
from transforms.roots.methods import root_onset
from transforms.roots.methods.root_onset import (
    BY_BALANCE,
    BY_PULSE,
    Fit,
    fit,
    onset,
    quiet_until,
    shift,
)


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


def test_shift_is_how_much_later_the_other_began() -> None:
    pairs = [(fit(series(40, seed=s)), fit(series(52, seed=100 + s))) for s in range(20)]
    found = [shift(first, other, 12) for first, other in pairs if first and other]
    assert len(found) == 20
    assert np.median([f.day for f in found]) == pytest.approx(12, abs=1.5)
    assert sum(f.low <= 12 <= f.high for f in found) >= 17
    back = shift(pairs[0][1], pairs[0][0], -12)  # type: ignore[arg-type]
    assert back.day == pytest.approx(-found[0].day)
    assert (back.low, back.high) == (-found[0].high, -found[0].low)


def test_of_two_places_that_fit_the_one_of_the_days_found_is_taken() -> None:
    """A gap leaves 20 and 60 as likely starts of the other series; the days say about 60."""
    begin = np.arange(0.0, 80.0)
    sharp = np.full((80, 5), 50.0)
    sharp[10] = 0.0
    double = np.full((80, 5), 50.0)
    double[20], double[60] = 0.0, 1.0
    found = shift(Fit(begin, sharp), Fit(begin, double), 48)
    assert found.day == pytest.approx(50, abs=0.5)
    assert (found.low, found.high) == (10, 50)


def test_running_days_lift_the_mean_but_not_the_median(monkeypatch: pytest.MonkeyPatch) -> None:
    """Water running through after two rains, in bare soil: no front."""

    def claimed() -> int:
        seen = 0
        for seed in range(40):
            values = series(None, noise=0.05, seed=seed)
            values[40:44] += 0.5
            values[56:60] += 0.5
            seen += np.isfinite(onset(values).day)
        return int(seen)

    asked_too = claimed()
    monkeypatch.setattr(root_onset, "HALF_STANDS_OUT", -99.0)
    assert asked_too <= 4
    assert claimed() > 2 * asked_too + 4


@pytest.mark.parametrize(("rise", "passed"), [(8, 4.0), (20, 2.0)])
def test_the_interval_spans_fronts_of_several_shapes(rise: int, passed: float) -> None:
    """Dense at the tip: half of a short rise; thickening behind it: the beginning of a long one."""
    rng = np.random.default_rng(rise)
    found = []
    for _ in range(40):
        shape = np.clip((np.arange(DAYS) - 50) / rise, 0, 1) * rng.uniform(0.6, 1.2, DAYS)
        found.append(onset(0.4 * shape + rng.normal(0, 0.03, DAYS)))
    assert sum(f.low <= 50 + passed <= f.high for f in found) >= 36
    assert abs(np.median([f.day for f in found]) - 50 - passed) <= 2.5


def test_nothing_comes_before_it_can() -> None:
    found = onset(series(50), not_before=60)
    assert found.low == 60
    assert 60 <= found.day <= found.high
