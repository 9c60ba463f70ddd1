"""evaporation_day: the dual coefficient of FAO-56 by hand, stage by stage."""

from __future__ import annotations

import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, days, irrigation, rows
from transforms.weather import evaporation_day

ET0 = 5.0
CLAY_TOTAL_MM = 1000 * (0.36 - 0.5 * 0.22) * 0.10  # FAO-56 Eq 73: 25 mm


def _derive(
    rain: list[float | None],
    kc: float | None = 0.3,
    season: int | None = None,
    texture: str | None = "clay",
    et0: float | None = ET0,
    *,
    irrigated: list[float | None] | None = None,
    covered: tuple[float, float] = (1.0, 1.0),
) -> pl.DataFrame:
    calendar = days("2024-05-01", len(rain))
    station = {"station": "s", "field": "f", "strip": "check"}
    demand = [
        {**station, "day": d, "season": season, "crop_coefficient": kc, "reference_et_mm": et0}
        | {"coverage": covered[0], "partial": False}
        for d in calendar
    ]
    fallen = [
        {**station, "day": d, "rain_mm": r, "bridged": False}
        | {"rain_coverage": 0.0 if r is None else covered[1]}
        for d, r in zip(calendar, rain, strict=True)
    ]
    out = evaporation_day.derive(
        rows("evapotranspiration_day", demand),
        rows("rain_day", fallen),
        irrigation({d: mm for d, mm in zip(calendar, irrigated or [], strict=False) if mm != 0.0}),
        rows("field", [{"field": "f", "soil_texture": texture, "practice": "p"}]),
        rows("comparison", []),
    )
    check(out, "evaporation_day")
    return out


def test_wet_bare_soil_then_drying_by_hand() -> None:
    """40 mm fill the layer. Stage one at 1.2 times the reference, then by what is left (Eq 74)."""
    out = _derive([40.0, 0, 0, 0])
    left, wanted = 0.0, []
    for _ in range(4):
        wet = min((CLAY_TOTAL_MM - left) / (CLAY_TOTAL_MM - 10.0), 1.0)
        wanted.append(1.2 * wet * ET0)
        left += wanted[-1]
    assert wanted[0] == wanted[1] == 6.0
    assert wanted[2] < wanted[1]
    assert out["soil_evaporation_mm"].to_list() == pytest.approx(wanted)
    assert out["surface_depletion_mm"][-1] == pytest.approx(sum(wanted))
    assert out["basal_et_mm"].to_list() == [0.0] * 4


def test_a_dry_soil_goes_on_with_the_square_root_of_time() -> None:
    """Ritchie 1972: the sum of the second stage is a sqrt(t), so its square grows by a^2 a day."""
    ready = 10.0
    out = _derive([100.0] + [0.0] * 99)
    evaporated = out["soil_evaporation_mm"]
    second = evaporated.cum_sum() - ready  # of readily evaporable water, Table 19
    late = (second**2).to_numpy()[20:]
    assert late[1:] - late[:-1] == pytest.approx(3.5**2, rel=1e-6)
    # Eq 74 alone would have ended with the layer's water; what rises from below is not lacking there
    assert evaporated.sum() > CLAY_TOTAL_MM + 10
    assert out["surface_depletion_mm"][-1] == pytest.approx(CLAY_TOTAL_MM)
    assert evaporated[99] == pytest.approx(0.17, abs=0.02)


def test_what_the_surface_layer_loses_itself_goes_by_what_is_left_in_it() -> None:
    """Eq 74 by hand: 1.2 times the reference, times what is left of the layer's water; no rise from below."""
    out = _derive([40.0] + [0.0] * 29)
    lacks = [0.0, *out["surface_depletion_mm"][:-1]]
    wanted = [1.2 * ET0 * min((CLAY_TOTAL_MM - d) / (CLAY_TOTAL_MM - 10.0), 1.0) for d in lacks]
    assert out["layer_evaporation_mm"].to_list() == pytest.approx(wanted)
    assert out["layer_evaporation_mm"][:3].equals(out["soil_evaporation_mm"][:3])
    assert (out["layer_evaporation_mm"] < out["soil_evaporation_mm"])[-10:].all()


def test_rain_on_a_dry_soil_makes_good_what_has_risen_first() -> None:
    out = _derive([100.0] + [0.0] * 39 + [3.0] + [0.0] * 3)["soil_evaporation_mm"]
    assert out[39] < 0.35
    assert out[40] > out[39] * 1.1
    soaked = _derive([100.0] + [0.0] * 39 + [40.0])["soil_evaporation_mm"]
    assert soaked[40] == pytest.approx(1.2 * ET0)


def test_never_more_than_the_weather_can_evaporate() -> None:
    out = _derive([100.0] + [0.0] * 29, et0=0.2)["soil_evaporation_mm"]
    assert out.max() <= 1.2 * 0.2 + 1e-9


def test_soils_differ() -> None:
    clay, loam, unknown = (
        _derive([100.0] + [0.0] * 9, texture=texture)["soil_evaporation_mm"].sum()
        for texture in ("clay", "loam", "gumbo")
    )
    assert loam < clay == unknown


def test_under_a_full_canopy_little_evaporates() -> None:
    """Kcb 1.10, Kc max 1.2: at most 0.10 of the reference, and the crop asks 1.10 of it."""
    out = _derive([40.0], kc=1.15, season=2024)
    assert out["basal_et_mm"][0] == pytest.approx(1.10 * ET0)
    assert out["soil_evaporation_mm"][0] == pytest.approx(0.10 * ET0)


def test_a_seedling_leaves_most_of_the_ground_bare() -> None:
    """Kcb 0.15 (Table 17 beside 0.30 of Table 12): no cover yet, Ke = 1.2 - 0.15."""
    out = _derive([40.0], kc=0.3, season=2024)
    assert out["evaporation_coefficient"][0] == pytest.approx(1.05)
    assert out["basal_coefficient"][0] == pytest.approx(0.15)


def test_roots_dry_the_surface_too() -> None:
    """Half cover: ground dries faster with roots in it than its own evaporation says."""
    out = _derive([40.0] + [0.0] * 9, kc=0.7, season=2024)
    assert out["surface_depletion_mm"][-1] > out["soil_evaporation_mm"].sum() * 1.1


def test_days_that_are_not_known() -> None:
    dry = _derive([None, None])
    assert dry["partial"].all()
    assert "taken as dry" in dry["reason"][0]
    assert dry["coverage"].to_list() == [0.5, 0.5]
    still = _derive([0.0], et0=None)
    assert still["soil_evaporation_mm"][0] is None
    assert still["layer_evaporation_mm"][0] is None
    assert "no reference" in still["reason"][0]
    snow = _derive([0.0], kc=None)
    assert snow["soil_evaporation_mm"][0] is None
    assert "snow" in snow["reason"][0]
    assert snow["surface_depletion_mm"][0] == pytest.approx(CLAY_TOTAL_MM / 2)


def test_irrigation_wets_the_surface_as_rain_does() -> None:
    rained = _derive([40.0, 0, 0, 12.0, 0])
    put_on = _derive([0.0, 0, 0, 12.0, 0], irrigated=[40.0, 0.0, 0.0, 0.0, 0.0])
    assert put_on.drop("coverage").equals(rained.drop("coverage"))
    both = _derive([10.0, 0, 0, 12.0, 0], irrigated=[30.0, 0.0, 0.0, 0.0, 0.0])
    assert both["surface_depletion_mm"].to_list() == rained["surface_depletion_mm"].to_list()
    unknown = _derive([0.0], irrigated=[None])
    assert unknown["partial"].all()
    assert "irrigation not known" in unknown["reason"][0]


def test_a_station_of_no_strip_has_the_mean_of_its_field() -> None:
    """20 mm on one strip are 10 mm for a station of the whole field."""
    day = days("2024-05-01", 1)
    station = {"station": "s", "field": "f", "strip": None, "day": day[0]}
    demand = {**station, "crop_coefficient": 1.0, "reference_et_mm": 0.0}
    out = evaporation_day.derive(
        rows("evapotranspiration_day", [demand]),
        rows("rain_day", [{**station, "rain_mm": 0.0}]),
        irrigation({day[0]: 20.0}, ("treated",)),
        rows("field", [{"field": "f", "soil_texture": "clay", "practice": "p"}]),
        rows("comparison", []),
    )
    assert out["surface_depletion_mm"][0] == pytest.approx(CLAY_TOTAL_MM / 2 - 10.0)


def test_a_day_with_part_of_its_rain_or_of_its_demand_is_partial() -> None:
    rain = _derive([3.0, 3.0], covered=(1.0, 0.4)).row(0, named=True)
    assert (rain["partial"], rain["coverage"]) == (True, pytest.approx(0.7))
    assert rain["reason"] == "rain was recorded for 40% of the day: the rest is taken as dry"
    assert _derive([3.0], covered=(0.9, 1.0))["coverage"].item() == pytest.approx(0.95)
    assert _derive([3.0])["partial"].to_list() == [False]


def test_empty() -> None:
    names = ("evapotranspiration_day", "rain_day", "irrigation_day", "field", "comparison")
    check(evaporation_day.derive(*(generated.empty(TABLES[n]) for n in names)), "evaporation_day")
