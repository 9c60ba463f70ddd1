from collections import Counter

import polars as pl
import pytest

from flows.base import units
from flows.setup.sniff import headings
from flows.setup.sniff.headings import heading
from schemas.quantities import BY_NAME
from tests.bench.bench_headings import held_out, outcome

SOON = {"specific_humidity", "vapour_pressure_deficit"} - set(BY_NAME)
PUBLISHED = list(headings.read_published())


def test_published_headings_are_declared_quantities_in_units_they_can_have():
    for name, row in PUBLISHED:
        assert row.source, name
        if row.quantity is None:
            continue
        assert row.quantity in {*BY_NAME, *SOON}, name
        if row.unit is not None and row.quantity in BY_NAME:
            units.line(row.unit, BY_NAME[row.quantity].unit)


def test_each_published_heading_says_how_it_is_known():
    counts = Counter(row.checked.partition(":")[0] for _, row in PUBLISHED)
    assert set(counts) == {"definition", "name", "from memory"}
    where = [row.checked.partition(": ")[2] for _, row in PUBLISHED if ":" in row.checked]
    assert all(len(place.split()) > 2 for place in where)
    assert counts["definition"] > 100


def test_published_headings_are_read_as_their_record_means_them():
    """But for those that two records use for different things: they are asked about."""
    wrong = []
    for name, row in PUBLISHED:
        found = heading(name).quantity or (row.quantity if row.quantity in SOON else None)
        kin = {"solar_radiation", "solar_energy"}
        if found != row.quantity and not {found, row.quantity} <= kin:
            wrong.append((name, found, row.quantity, row.source))
    assert all(found is None for _, found, _, _ in wrong), wrong
    assert len(wrong) <= 6, wrong


def test_a_published_unit_is_not_taken_for_the_unit_of_every_file():
    """PRCP is in tenths of a millimeter in one network and in inches in another."""
    assert heading("PRCP").unit is None
    assert heading("PRCP (in)").unit == "inch"


def test_headings_of_records_that_are_not_in_the_table():
    rows = held_out()
    assert rows.height > 150
    counts = Counter(
        outcome(name, truth) for name, truth in rows.select("heading", "quantity").iter_rows()
    )
    assert counts["wrong"] <= 0.03 * rows.height, counts
    assert counts["right"] >= 0.85 * rows.height, counts


def test_the_held_out_records_are_not_those_of_the_table():
    sources = {row.source for _, row in PUBLISHED}
    assert not sources & set(held_out()["source"].to_list())


@pytest.mark.parametrize(
    ("name", "quantity", "unit", "depth"),
    [
        ("Wind speed (m.s-1)", "wind_speed", "m/s", None),
        ("Air temp 2 m", "air_temp", None, None),
        ("Snow depth (m)", "snow_depth", "m", None),
        ("Elevation (m)", None, "m", None),
        ("Solar radiation (MJ m-2)", "solar_radiation", "MJ/m^2", None),
        ("SolarRad (MJ m⁻² d⁻¹)", "solar_radiation", "MJ/m^2", None),
        ("rH", "relative_humidity", None, None),
        ("VWC10CM", "vwc", None, 10.0),
        ("SOILMOIST20CM", "vwc", None, 20.0),
        ("SM05", "vwc", None, 5.0),
        ("Wind.Speed..m.s.1.", "wind_speed", "m/s", None),
        ("Solar.Radiation..W.m.2.", "solar_radiation", "W/m^2", None),
        ("Soil.Temp.10.cm..degC.", "soil_temp", "degC", 10.0),
        ("Wind direction 10m", "wind_direction", None, None),
        ("wind_dir_10", "wind_direction", None, None),
        ("Snowfall (cm)", None, "cm", None),
        ("Total Snow (cm)", None, "cm", None),
        ("Snow depth (cm)", "snow_depth", "cm", None),
        ("Snow water equivalent (mm)", None, "mm", None),
        ("Soil water storage (m)", None, "m", None),
        ("Soil water 0-1 m (mm)", None, "mm", None),
        ("T 6in", "soil_temp", None, 6.0),
        ("Moist A", "vwc", None, None),
        ("Rain_mm_Tot", "rain", "mm", None),
        ("AirTC_Avg", "air_temp", None, None),
        ("Dew point (%)", None, "percent", None),
        ("Soil heat flux 5 cm (W/m2)", None, "W/m^2", 5.0),
        ("Net radiation (W/m2)", None, "W/m^2", None),
        ("Soil temperature quality 10 cm", None, None, None),
        ("VWC 7.5 cm", "vwc", None, 7.5),
    ],
)
def test_headings_of_strangers(name, quantity, unit, depth):
    says = heading(name)
    assert (says.quantity, says.unit) == (quantity, unit)
    if quantity is not None:
        assert says.depth == depth


@pytest.mark.parametrize(
    "name",
    ["VPD", "VPD (kPa)", "Vapor pressure deficit (kPa)", "vp_deficit", "Vap.Pres.Deficit..hPa."],
)
def test_a_deficit_is_no_vapor_pressure(name):
    assert heading(name).quantity in (None, "vapour_pressure_deficit")


@pytest.mark.parametrize("name", ["Specific humidity (g/kg)", "QV2M", "sph", "Spec_Hum_kg/kg"])
def test_specific_humidity_is_no_relative_humidity(name):
    assert heading(name).quantity in (None, "specific_humidity")


def test_a_layer_and_a_number_of_a_sensor_are_no_depth():
    says = heading("soil_moisture_28_to_100cm (m³/m³)")
    assert (says.quantity, says.depth, says.depth_unit, says.layer) == ("vwc", 64.0, "cm", True)
    says = heading("SWC_F_MDS_3")
    assert (says.quantity, says.depth, says.index, says.label) == ("vwc", None, True, "3")


def test_the_unit_of_a_row_below_decides_what_a_short_heading_is():
    assert heading("P", "mm").quantity == "rain"
    assert heading("P", "hPa").quantity == "air_pressure"
    assert heading("Moisture", "degC").quantity is None
    assert heading("T").weak
    assert not heading("T", "degC").weak


def test_no_heading_is_read_in_another_case_as_something_else():
    names = pl.Series([name for name, _ in PUBLISHED])
    for name in names.filter(names.str.contains(r"^[A-Z0-9_]+$")).to_list():
        assert heading(name.lower()).quantity == heading(name).quantity, name


@pytest.mark.parametrize(
    ("name", "quantity", "unit"),
    [
        ("Flow rate (gpm)", "water_flow", "gallon/minute"),
        ("FLOW_GPM", "water_flow", "gallon/minute"),
        ("Flow [L/s]", "water_flow", "L/s"),
        ("Pump flow rate (m³/h)", "water_flow", "m^3/hour"),
        ("Water meter (m3)", "water_volume", "m^3"),
        ("Meter total (gal)", "water_volume", "gallon"),
        ("Totalizer (acre-in)", "water_volume", "acre*inch"),
        ("Irrigation volume [gal_us]", "water_volume", "gallon"),  # UCUM
        ("Water used (ac-ft)", "water_volume", "acre*foot"),
        ("Rain rate (mm/h)", None, "mm"),
        ("Water temp (C)", None, "degC"),
        ("VWC_m3_m3", "vwc", "m^3/m^3"),
        ("Temp_L", "air_temp", None),
    ],
)
def test_headings_of_water_meters_and_what_is_none(
    name: str, quantity: str | None, unit: str | None
) -> None:
    found = heading(name)
    assert (found.quantity, found.unit) == (quantity, unit)
    if quantity in ("water_flow", "water_volume"):
        assert units.line(str(unit), BY_NAME[quantity].unit)[0] > 0
