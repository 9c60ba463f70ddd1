"""Which station's values a field's rows have: its own, then the nearest that serves it."""

from datetime import date
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.transforms import frames
from tests.transforms.weather.rain_frames import NORMALS, SEASONS, weather
from transforms.weather import heat_day, rain_day, weather_used_day
from transforms.weather.methods import serving

FIRST = date(2023, 1, 1)
DAYS = frames.days("2023-06-01", 4)
OWN = {"station": "own", "from_day": FIRST, "field": "north", "strip": "check"}
NOW = frames.rows("delivery", [{"received_at": frames.utc("2024-12-31 12:00")}])
NEAR = {"latitude_deg": 50.02, "longitude_deg": -100.0}  # 2 km from the farm's place
FAR = {"latitude_deg": 50.1, "longitude_deg": -100.0}  # 11 km
AWAY = {"latitude_deg": 50.4, "longitude_deg": -100.0}  # 44 km


def spells(*items: dict[str, Any]) -> pl.DataFrame:
    return frames.rows("station_spell", [{"from_day": FIRST, **item} for item in items])


def fields(*items: tuple[str, str, int], **span: date) -> pl.DataFrame:
    """Rows of ``station_field``: station, field, place in farm.toml."""
    rows = [{"station": s, "field": f, "listed": n, "from_day": FIRST, **span} for s, f, n in items]
    return frames.rows("station_field", rows)


def day(station: str, rain: float | None, days: list[date] = DAYS, **more: Any) -> list[Any]:
    return [row | {"station": station} for row in weather(days, rain or 0.0, **more)]


def used(
    items: list[Any], spell: pl.DataFrame, serve: pl.DataFrame, gauge: list[Any] | None = None
) -> pl.DataFrame:
    found = weather_used_day.derive(
        weather_day=frames.rows("weather_day", items),
        station_spell=spell,
        station_field=serve,
        field=frames.rows("field", [{"field": name} for name in ("north", "south")]),
        gauge=frames.rows("gauge", gauge or []),
        normal_day=NORMALS,
        delivery=NOW,
        farm=frames.farm(),
    )
    frames.check(found, "weather_used_day")
    return found


def of(found: pl.DataFrame, station: str) -> list[dict[str, Any]]:
    return found.filter(pl.col("station") == station).sort("day").to_dicts()


def test_each_quantity_is_of_the_nearest_station_that_has_it() -> None:
    stand = spells(OWN, {"station": "near"} | NEAR, {"station": "far"} | FAR)
    serve = fields(("far", "north", 1), ("near", "north", 2))
    items = [*day("own", 1.0, DAYS[:2]), *day("near", 2.0, DAYS[:3]), *day("far", 3.0)]
    items = [
        row | {"air_temp_mean_c": 9.0, "air_temp_coverage": 1.0} if row["station"] == "far" else row
        for row in items
    ]
    rows = of(used(items, stand, serve), "own")
    assert [row["rain_mm"] for row in rows] == [1.0, 1.0, 2.0, 3.0]
    assert [row["rain_from"] for row in rows] == ["own", "own", "near", "far"]
    assert {row["air_temp_station"] for row in rows} == {"far"}
    assert {(row["field"], row["strip"]) for row in rows} == {("north", "check")}
    assert [row["reason"] for row in rows] == [
        None,
        None,
        *(f"the rain is that of {s}" for s in ("near", "far")),
    ]


def test_without_places_the_order_of_farm_toml_decides() -> None:
    stand = spells({"station": "b"}, {"station": "c"})
    items = [*day("b", 1.0), *day("c", 2.0)]
    first = used(items, stand, fields(("b", "south", 2), ("c", "south", 1)))
    assert {row["rain_from"] for row in of(first, "stations near south")} == {"c"}
    second = used(items, stand, fields(("b", "south", 1), ("c", "south", 2)))
    assert {row["rain_from"] for row in of(second, "stations near south")} == {"b"}
    assert {row["partial"] for row in of(second, "stations near south")} == {False}


def test_a_station_of_the_whole_farm_serves_within_neighbor_km_and_a_named_field_anywhere() -> None:
    stand = spells(OWN, {"station": "w"} | AWAY)
    everywhere = used(day("w", 5.0), stand, fields(("w", "all", 1)))
    assert set(everywhere["field"].drop_nulls()) == set()
    named = used(day("w", 5.0), stand, fields(("w", "south", 1)))
    assert {row["rain_mm"] for row in of(named, "stations near south")} == {5.0}
    near = used(day("w", 5.0), spells(OWN, {"station": "w"} | NEAR), fields(("w", "all", 1)))
    assert {row["rain_mm"] for row in of(near, "stations near south")} == {5.0}
    assert {row["rain_mm"] for row in of(near, "own")} == {5.0}
    assert of(near, "stations near north") == []


def test_the_other_fields_stations_stay_as_they_are_and_nothing_is_served_unasked() -> None:
    stand = spells(OWN, {"station": "w"} | NEAR)
    items = [*day("own", 1.0, DAYS[:2]), *day("w", 5.0)]
    found = used(items, stand, fields())
    assert found.height == 6
    assert {row["field"] for row in of(found, "w")} == {None}


def test_a_field_has_its_own_rows_only_while_no_station_stands_in_it() -> None:
    stand = spells(OWN | {"from_day": DAYS[2]}, {"station": "w"})
    items = [*day("own", 1.0, DAYS[2:]), *day("w", 5.0)]
    found = used(items, stand, fields(("w", "north", 1)))
    assert [row["day"] for row in of(found, "stations near north")] == DAYS[:2]
    assert [row["rain_mm"] for row in of(found, "own")] == [1.0, 1.0]
    served_until = used(items, stand, fields(("w", "north", 1), to_day=DAYS[0]))
    assert [row["day"] for row in of(served_until, "stations near north")] == DAYS[:1]


def test_the_hand_gauge_of_a_field_goes_before_stations_elsewhere() -> None:
    read = [{"kind": "field", "place": "south", "read_day": DAYS[1], "rain_mm": 9.0}]
    found = used(day("w", 5.0), spells({"station": "w"}), fields(("w", "south", 1)), read)
    rows = of(found, "stations near south")
    assert [row["rain_mm"] for row in rows] == [5.0, 9.0, 5.0, 5.0]
    assert rows[1]["rain_from"] == "hand gauge"
    alone = used([], spells(OWN), fields(), read)
    assert [row["rain_mm"] for row in of(alone, "stations near south")] == [9.0]


def test_rain_of_several_days_is_no_other_station_s_and_is_not_filled() -> None:
    stand = spells(OWN, {"station": "w"})
    total = day("own", 12.0, DAYS[3:], rain_since_day=DAYS[1])
    found = used(
        [*day("own", 1.0, DAYS[:1]), *total, *day("w", 5.0)], stand, fields(("w", "north", 1))
    )
    rows = {row["day"]: row for row in of(found, "own")}
    assert [rows[d]["rain_mm"] for d in DAYS if d in rows] == [1.0, None, None, 12.0]
    back = used(total, stand, fields(("own", "south", 1)))
    assert all(row["rain_mm"] is None for row in of(back, "stations near south"))


def test_rain_and_heat_of_a_field_without_a_station() -> None:
    days = frames.days("2023-05-01", 40)
    items = [
        row
        | {"air_temp_max_c": 20.0, "air_temp_min_c": 10.0, "air_temp_mean_c": 15.0}
        | {"air_temp_coverage": 1.0}
        for row in day("w", 2.0, days)
    ]
    stand = spells({"station": "w"})
    found = used(items, stand, fields(("w", "all", 1)))
    rain = rain_day.derive(found, stand, NORMALS, SEASONS)
    frames.check(rain, "rain_day")
    last = of(rain, "stations near north")[-1]
    assert (last["field"], last["season"], last["rain_from"]) == ("north", 2023, "w")
    assert last["season_to_date_mm"] == 2.0 * 31
    assert of(rain, "w")[-1]["season"] is None
    heat = heat_day.derive(
        found,
        stand,
        SEASONS,
        frames.rows("strip", [{"field": "north", "strip": s} for s in ("treated", "check")]),
        frames.rows("crop", [{"crop": "barley", "base_temp_c": 5.0, "upper_temp_c": 30.0}]),
    )
    assert heat["gdd_average_sum_c_d"].max() == 10.0 * 31
    assert set(heat["station"]) == {"stations near north"}
    assert set(heat["strip"]) == {"treated", "check"}


@given(st.permutations(range(3)), st.lists(st.booleans(), min_size=12, max_size=12))
@settings(max_examples=25, deadline=None)
def test_the_first_in_rank_with_data_wins_in_any_order(order: list[int], has: list[bool]) -> None:
    names = ["a", "b", "c"]
    stand = spells(
        *(
            {"station": n, "latitude_deg": 50.0 + 0.01 * k, "longitude_deg": -100.0}
            for k, n in enumerate(names)
        )
    )
    items = [
        row
        for k, name in enumerate(names)
        for n, on in enumerate(DAYS)
        if has[4 * k + n]
        for row in day(name, float(k + 1), [on])
    ]
    serve = fields(*((names[k], "south", 3 - k) for k in order))
    rows = {
        row["day"]: row["rain_mm"] for row in of(used(items, stand, serve), "stations near south")
    }
    for n, on in enumerate(DAYS):
        have = [float(k + 1) for k in range(3) if has[4 * k + n]]
        assert rows.get(on) == (have[0] if have else None)


def test_served_ranks_by_distance_then_order() -> None:
    stand = spells(OWN, {"station": "near"} | NEAR, {"station": "far"} | FAR)
    serve = fields(("far", "north", 1), ("near", "all", 2))
    found = serving.served(serve, stand, frames.rows("field", [{"field": "north"}]), frames.farm())
    assert found.sort("rank")["station"].to_list() == ["near", "far"]
