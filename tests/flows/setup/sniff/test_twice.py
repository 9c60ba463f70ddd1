import numpy as np
import pytest

from flows.setup.sniff.finding import Sure
from tests.flows.setup.sniff.invented_exports import asked, found, hours, sniffed


def rain(n, seed=1):
    rng = np.random.default_rng(seed)
    return np.where(rng.random(n) < 0.2, rng.integers(1, 40, n) * 0.2, 0.0)


@pytest.mark.parametrize("order", [1, -1])
def test_the_same_rain_in_two_units_tells_the_unit_and_one_is_taken(order):
    mm = rain(300)
    pairs = [(f"{v:.1f}", f"{v / 25.4:.3f}")[::order] for v in mm]
    rows = [(t, *pair) for t, pair in zip(hours(300), pairs, strict=True)]
    proposal = sniffed("time,Rain,Precip", rows)
    unit = found(proposal, "columns.Rain.unit")
    assert (unit.value, unit.sure) == ("mm" if order == 1 else "inch", Sure.CERTAIN)
    assert "it is the same as 'Rain'" in asked(proposal)["columns.Precip"]
    assert set(proposal.layout["columns"]) == {"Rain"}


def test_two_gauges_are_not_one():
    rows = [
        (t, f"{a:.1f}", f"{b:.1f}")
        for t, a, b in zip(hours(300), rain(300), rain(300, 2), strict=True)
    ]
    proposal = sniffed("time,Rain (mm),Precip (mm)", rows)
    assert "which of the two?" in asked(proposal)["columns.Precip (mm)"]


def test_a_temperature_in_two_units():
    c = [12 + i % 17 * 0.7 for i in range(200)]
    rows = [(t, f"{v:.1f}", f"{v * 1.8 + 32:.1f}") for t, v in zip(hours(200), c, strict=True)]
    proposal = sniffed("time,Temp 1,Temp 2", rows)
    assert proposal.layout["columns"]["Temp 1"]["unit"] == "degC"
    assert "columns.Temp 1.unit" not in asked(proposal)
