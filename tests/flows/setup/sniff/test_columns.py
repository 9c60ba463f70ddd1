import pytest

from flows.setup.sniff.propose import propose
from schemas.farm.layout import Layout
from tests.flows.setup.sniff.invented_exports import asked, hours, sniffed, text


def test_every_column_of_numbers_that_is_left_out_is_asked_about_by_itself():
    rows = [(t, 15 + i % 9, i, 231.5, 400 + i % 90, "ok") for i, t in enumerate(hours(100))]
    proposal = sniffed("time,Air Temp (C),RECORD,Elevation (m),PAR,note", rows)
    questions = asked(proposal)
    assert {"columns.RECORD", "columns.Elevation (m)", "columns.PAR"} <= set(questions)
    assert "100 numbers from 0 to 99" in questions["columns.RECORD"]
    assert "columns.note" not in questions
    assert set(proposal.layout["columns"]) == {"Air Temp (C)"}


def test_a_deficit_does_not_displace_and_is_not_taken_for_a_pressure():
    rows = [(t, 1.1 + i % 5 / 10, 0.4, 55 + i % 9) for i, t in enumerate(hours(100))]
    proposal = sniffed("time,Vapor pressure deficit (kPa),Vapor pressure (kPa),RH (%)", rows)
    columns = proposal.layout["columns"]
    assert columns["Vapor pressure (kPa)"]["quantity"] == "vapour_pressure"
    assert columns["RH (%)"]["quantity"] == "relative_humidity"
    assert "Vapor pressure deficit (kPa)" in {*asked(proposal), *columns} or (
        "columns.Vapor pressure deficit (kPa)" in asked(proposal)
    )


def test_sensors_that_letters_tell_apart():
    rows = [
        (t, 20 + i % 3, 25 + i % 4, 30, 14, 13 + i % 2, 12, 15) for i, t in enumerate(hours(99))
    ]
    heading = "time,Moist A,Moist B,Moist C,Temp A,Temp B,Temp C,Air temp 2 m (C)"
    proposal = sniffed(heading, rows)
    columns = proposal.layout["columns"]
    assert {n: (r["quantity"], r.get("sensor")) for n, r in columns.items()} == {
        **{f"Moist {x}": ("vwc", x) for x in "ABC"},
        **{f"Temp {x}": ("soil_temp", x) for x in "ABC"},
        "Air temp 2 m (C)": ("air_temp", None),
    }
    assert "name the probe's sensor" in asked(proposal)["columns.Moist B.sensor"]
    Layout.model_validate(proposal.layout)


@pytest.mark.parametrize(
    ("moist", "warm"),
    [
        ("Port{}VW", "Port{}T"),
        ("Port {} Moisture", "Port {} Temp (C)"),
        ("VWC, port {}", "Temp, port {}"),
    ],
)
def test_numbered_ports_are_asked_about_once(moist, warm):
    rows = [
        (t, *(20 + p + i % 3 for p in range(5)), *(12 + p + i % 2 for p in range(5)), 15)
        for i, t in enumerate(hours(99))
    ]
    names = [form.format(port) for form in (moist, warm) for port in range(1, 6)]
    quoted = ",".join(f'"{name}"' for name in [*names, "Air temp 2 m (C)"])
    proposal = sniffed(f"time,{quoted}", rows)
    columns = proposal.layout["columns"]
    assert [columns[n].get("sensor") for n in names] == [f"port {p}" for p in range(1, 6)] * 2
    assert [columns[n]["quantity"] for n in names] == ["vwc"] * 5 + ["soil_temp"] * 5
    assert columns["Air temp 2 m (C)"]["quantity"] == "air_temp"
    questions = asked(proposal)
    assert "the sensors of port 1 to port 5, in this order" in questions["depths"]
    assert not [item for item in questions if item.endswith((".sensor", ".depth_cm"))]
    Layout.model_validate(proposal.layout)


def test_a_place_called_port_numbers_nothing():
    rows = [(t, 21 + i % 3, 23, 30) for i, t in enumerate(hours(99))]
    proposal = sniffed("time,Port 10 cm VWC,Port 20 cm VWC,Port 1 VWC 30 cm", rows)
    depths = [rule["depth_cm"] for rule in proposal.layout["columns"].values()]
    assert depths == [10.0, 20.0, 30.0]


def test_all_depths_of_a_quantity_stay():
    rows = [(t, 21, 22 + i % 3, 23, 24) for i, t in enumerate(hours(99))]
    proposal = sniffed("time,VWC5CM,VWC10CM,VWC20CM,VWC50CM", rows)
    depths = [rule["depth_cm"] for rule in proposal.layout["columns"].values()]
    assert depths == [5.0, 10.0, 20.0, 50.0]


@pytest.mark.parametrize("cells", ["5,10,20", "5 cm,10 cm,20 cm", "2 in,4 in,8 in"])
@pytest.mark.parametrize("units", [None, ",m3/m3,m3/m3,m3/m3"])
def test_depths_in_a_header_row_of_their_own(cells, units):
    heads = ["Date,VWC,VWC,VWC", *([units] if units else []), f",{cells}"]
    data = (
        "\n".join(heads).encode()
        + b"\n"
        + text("", [(t, 0.21, 0.22 + i % 3 / 100, 0.23) for i, t in enumerate(hours(99))]).lstrip(
            b"\n"
        )
    )
    layout = propose(data).layout
    depths = [rule["depth_cm"] for rule in layout["columns"].values()]
    assert depths == ([5.08, 10.16, 20.32] if "in" in cells else [5.0, 10.0, 20.0])
    assert layout["header"] == len(heads)
    Layout.model_validate(layout)


def test_two_columns_of_one_place_are_never_both_written():
    """A moisture without a depth is put at 10 cm with a question, where another one is already."""
    rows = [(t, 21, 22 + i % 3, 0.2, 0.3) for i, t in enumerate(hours(99))]
    for heading in (
        "time,Soil moisture (%),Soil moisture 10 cm (%),Solar (MJ/m2),Radiation (W/m2)",
        "time,VWC 4 in,VWC 10.16 cm,EC 1,EC",
    ):
        Layout.model_validate(sniffed(heading, rows).layout)
