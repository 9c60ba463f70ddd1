from datetime import date

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from tests.transforms.frames import rows
from transforms.methods.strips import rain_to_sum, shared_rain, strip_rain


def test_the_other_strips_gauge_stands_in_and_gaps_stay_gaps() -> None:
    def row(station: str, strip: str, day: int, rain: float, coverage: float) -> dict[str, object]:
        return {
            "station": station,
            "day": date(2024, 6, day),
            "field": "f",
            "strip": strip,
            "rain_mm": rain,
            "rain_coverage": coverage,
        }

    weather = rows(
        "weather_day",
        [
            row("a", "treated", 1, 4.0, 1.0),
            row("b", "check", 1, 6.0, 1.0),
            row("a", "treated", 2, 1.0, 0.4),  # half a day: not the day's rain
            row("b", "check", 2, 8.0, 1.0),
            row("a", "treated", 3, 0.0, 0.2),
        ],
    )
    found = {(s, d.day): r for _, s, d, r, _ in strip_rain(weather).iter_rows()}
    assert found == {
        ("treated", 1): 4.0,
        ("check", 1): 6.0,
        ("treated", 2): 8.0,
        ("check", 2): 8.0,
        ("treated", 3): None,
        ("check", 3): None,
    }


def to_sum(*days: tuple[str | None, int, float | None, dict[str, object]]) -> dict[object, object]:
    items = [
        {
            "station": str(strip),
            "field": "f",
            "strip": strip,
            "day": date(2024, 6, n),
            "rain_mm": mm,
            "rain_coverage": 0.0 if mm is None else 1.0,
            "rain_since_day": None if mm is None else date(2024, 6, n),
            **more,
        }
        for strip, n, mm, more in days
    ]
    found = rain_to_sum(rows("rain_day", items, bridged=False))
    return {(s, d.day): mm for s, d, mm in found.drop("field").iter_rows()}


SINCE_2 = {"rain_since_day": date(2024, 6, 2)}


def test_rain_of_a_gap_that_a_total_bridges_is_counted_once() -> None:
    """The treated strip's station is silent on the 2nd and 3rd; its total of the 4th has their rain."""
    found = to_sum(
        *(("check", n, mm, {}) for n, mm in ((1, 1.0), (2, 20.0), (3, 8.0), (4, 2.0))),
        ("treated", 1, 1.0, {}),
        ("treated", 2, None, {"bridged": True}),
        ("treated", 3, 3.0, {"bridged": True, "rain_coverage": 0.4}),
        ("treated", 4, 27.0, SINCE_2),
    )
    assert [found["treated", n] for n in (1, 2, 3, 4)] == [1.0, 0.0, 3.0, 27.0]
    assert [found["check", n] for n in (1, 2, 3, 4)] == [1.0, 20.0, 8.0, 2.0]


def test_a_strip_without_a_gauge_has_the_days_of_the_field() -> None:
    bridged = ("treated", 2, None, {"bridged": True}), ("treated", 3, 27.0, SINCE_2)
    alone = to_sum(*bridged)
    assert [alone["check", n] for n in (2, 3)] == [0.0, 27.0]
    # A gauge that knows each day goes before a total, and neither is counted twice.
    beside = to_sum(*bridged, (None, 2, 20.0, {}), (None, 3, 6.0, {}))
    assert [beside["check", n] for n in (2, 3)] == [20.0, 6.0]
    assert [beside["treated", n] for n in (2, 3)] == [0.0, 27.0]


def test_a_day_that_nobody_knows_is_not_dry() -> None:
    found = to_sum(("treated", 1, None, {}), ("check", 1, 2.0, {"rain_coverage": 0.4}))
    assert found == {("check", 1): None, ("treated", 1): None}
    assert to_sum(("treated", 1, None, {}), ("check", 1, 2.0, {}))["treated", 1] == 2.0


GAPS = st.lists(st.sampled_from(["there", "silent", "lost"]), min_size=12, max_size=12)


@given(
    rain=st.lists(st.sampled_from([0.0, 1.0, 4.0, 9.0, 25.0]), min_size=12, max_size=12),
    stations=st.dictionaries(st.sampled_from(["treated", "check"]), GAPS, min_size=1),
)
def test_known_days_add_up_to_the_rain_that_fell(
    rain: list[float], stations: dict[str, list[str]]
) -> None:
    """Whenever a station was silent and counted on, or lost what fell."""
    days: list[tuple[str | None, int, float | None, dict[str, object]]] = []
    for strip, gaps in stations.items():
        since: int | None = None
        for n, (mm, is_) in enumerate(zip(rain, gaps, strict=True), 1):
            ahead = [other for other in gaps[n:] if other != "silent"]
            if is_ == "silent" and ahead[:1] == ["there"]:
                since = since or n
                days.append((strip, n, None, {"bridged": True}))
            elif is_ == "there" and since:
                days.append(
                    (strip, n, sum(rain[since - 1 : n]), {"rain_since_day": date(2024, 6, since)})
                )
                since = None
            else:
                days.append((strip, n, mm if is_ == "there" else None, {}))
    found = to_sum(*days)
    for strip in ("treated", "check"):
        known = {n: found[strip, n] for n in range(1, 13) if found[strip, n] is not None}
        assert sum(known.values()) == sum(rain[n - 1] for n in known)


def _shared(treated: list[float | None], check: list[float | None]) -> dict[str, list[float]]:
    """Rain of one season's days as the balance takes it."""
    days = [date(2024, 6, n + 1) for n in range(len(treated))]
    frame = pl.concat(
        pl.DataFrame(
            {"day": days, "day_rain_mm": rain}, schema_overrides={"day_rain_mm": pl.Float64}
        ).with_columns(field=pl.lit("f"), season=pl.lit(2024), strip=pl.lit(strip))
        for strip, rain in (("treated", treated), ("check", check))
    ).with_columns(mm=shared_rain(["field", "season"]))
    return {s: frame.filter(strip=s)["mm"].to_list() for s in ("treated", "check")}


def test_two_gauges_that_agree_are_one_rain() -> None:
    found = _shared([10.0, 0.0, 5.0], [12.0, 1.0, None])
    assert found["treated"] == [11.0, 0.5, 5.0]
    assert found["check"] == [11.0, 0.5, 5.0]


def test_a_clogged_gauge_does_not_spoil_the_other() -> None:
    found = _shared([10.0, 8.0], [5.0, 4.0])
    assert found == {"treated": [10.0, 8.0], "check": [5.0, 4.0]}
    assert _shared([10.0, 8.0], [10.0, None])["check"] == [10.0, 8.0]
