import polars as pl
import pytest

from tests.transforms import frames
from tests.transforms.soil.rain_event_frames import DAYS, STORM, WATER, both, derive, strips


def by_depth(layer: pl.DataFrame) -> dict[tuple[str, float], dict[str, object]]:
    return {(row["strip"], row["depth_cm"]): row for row in layer.iter_rows(named=True)}


def test_each_layer_has_its_own_gain_and_share() -> None:
    _, layer = derive(both(STORM))
    rows = by_depth(layer)
    # 20 mm of rain on layers of 20, 25 and 45 cm; see WATER for the closes of the days, in %.
    assert rows["treated", 10.0]["gain_1d_mm"] == pytest.approx(5 * 0.2 * 10)
    assert rows["treated", 30.0]["gain_1d_mm"] == pytest.approx(3 * 0.25 * 10 - 1.5)
    assert rows["treated", 60.0]["gain_2d_mm"] == pytest.approx(0.0)
    assert rows["check", 10.0]["capture_1d"] == pytest.approx(
        rows["check", 10.0]["gain_1d_mm"] / 20
    )
    assert rows["treated", 10.0]["layer_top_cm"] == 0.0
    assert rows["treated", 10.0]["layer_bottom_cm"] == rows["treated", 30.0]["layer_top_cm"]


def test_the_layers_of_a_strip_add_up_to_its_profile() -> None:
    event, layer = derive(both(STORM))
    for strip, row in strips(event).items():
        own = layer.filter(strip=strip)
        assert own["gain_1d_mm"].sum() == pytest.approx(row["gain_1d_mm"])
        assert own["storage_before_mm"].sum() == pytest.approx(row["storage_before_mm"])
        assert own["capture_2d"].sum() == pytest.approx(row["capture_2d"])


def test_a_layer_without_a_value_says_so_and_the_others_stand() -> None:
    water = dict(WATER)
    water["treated", 60.0] = dict.fromkeys(DAYS)
    _, layer = derive(both(STORM), water=water)
    rows = by_depth(layer)
    dead, alive = rows["treated", 60.0], rows["treated", 10.0]
    assert (dead["gain_1d_mm"], dead["partial"]) == (None, True)
    assert "no value before or after" in str(dead["reason"])
    assert alive["gain_1d_mm"] == pytest.approx(10.0)


def test_no_soil_no_layers() -> None:
    _, layer = derive(both(STORM), water={})
    assert layer.is_empty()
    frames.check(layer, "rain_event_layer")
