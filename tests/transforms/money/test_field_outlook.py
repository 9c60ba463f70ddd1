"""field_outlook: a never-worked field before a fresh one, own record, window, layer, cautions."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, rows
from transforms.money import field_outlook
from transforms.trial import response_fade

NETS = {1: 50.0, 2: 40.0, 3: 30.0, 4: 20.0, 5: 10.0}


def _money(field: str, nets: dict[int, float], first: int = 2019, se: float = 3.0):
    return [
        {
            "field": field,
            "operation_day": date(first - 1, 10, 20),
            "season": first + t - 1,
            "practice": invented_trial.PRACTICE,
            "years_since": t,
            "season_net_per_ha": net,
            "season_net_se_per_ha": se,
        }
        for t, net in nets.items()
    ]


def _derive(money, names=("old", "fresh", "never"), operations=None, window=(), latest: int = 2023):
    work = operations or [
        invented_trial.worked("old", "2018-10-20"),
        invented_trial.worked("fresh", "2022-10-20"),
    ]
    costs = rows(
        "operation_cost",
        [
            {k: o[k] for k in ("field", "strip", "day", "practice")}
            | {"cost_per_ha": 60.0, "partial": False}
            for o in work
        ],
    )
    paid = rows("payback", money)
    causes = rows(
        "response_cause",
        [
            {
                "field": m["field"],
                "season": m["season"],
                "practice": invented_trial.PRACTICE,
                "years_since": m["years_since"],
                "response_pct": m["season_net_per_ha"] / 5,
                "shared_se_pct": 1.0,
            }
            for m in money
        ],
    )
    out = field_outlook.derive(
        field=invented_trial.fields(*names),
        season=invented_trial.seasons(
            [(n, y, "spring wheat") for n in names for y in range(2019, latest + 1)]
        ),
        operation=invented_trial.operations(*work),
        operation_cost=costs,
        payback=paid,
        response_fade=response_fade.derive(causes, paid, costs, rows("comparison", [])),
        working_window=rows("working_window", list(window)),
        comparison=rows("comparison", []),
    )
    check(out, "field_outlook")
    return {key[0]: row for key, row in by_key(out, "field_outlook").items()}


def test_expected_net_against_leaving_the_field_alone() -> None:
    money = _money("old", NETS) + [
        m | {"field": "other", "season_net_per_ha": m["season_net_per_ha"] + 0.1}
        for m in _money("old", NETS)
    ]
    out = _derive(money)
    n = out["never"]["horizon"]
    assert n in (3, 4)
    gain = {3: 120.0, 4: 140.0}[n]
    assert out["never"]["expected_gain_per_ha"] == pytest.approx(gain, abs=1)
    # Five harvests on, nothing is left of the old work; one harvest on, years 2.. are still there.
    assert out["old"]["years_since"] == 5
    assert out["old"]["expected_net_per_ha"] == pytest.approx(gain - 60, abs=1.5)
    assert out["fresh"]["years_since"] == 1
    left = sum([40.0, 30.0, 20.0, 10.0][:n])
    assert out["fresh"]["expected_net_per_ha"] == pytest.approx(gain - left - 60, abs=1)
    assert out["fresh"]["rank"] == 3
    assert out["fresh"]["outlook"] in ("probably not", "does not pay")
    assert out["never"]["outlook"] in ("probably pays", "pays")
    assert out["never"]["fall"] == 2023


def test_every_row_carries_the_caution() -> None:
    for row in _derive(_money("old", NETS)).values():
        assert "buried" in row["caution"]
        assert "licensed" in row["caution"]
        assert "not advice" in row["caution"]


def test_a_field_that_earns_more_goes_before_one_that_earns_less() -> None:
    rng = np.random.default_rng(1)
    money = []
    for name, plus in (("good", 25.0), ("poor", -25.0), ("mean", 0.0)):
        money += _money(name, {t: v + plus + rng.normal(0, 4) for t, v in NETS.items()})
    work = [invented_trial.worked(n, "2018-10-20") for n in ("good", "poor", "mean")]
    out = _derive(money, ("good", "poor", "mean", "new"), work)
    assert out["good"]["own_share"] > 1.3
    assert out["poor"]["own_share"] < 0.7
    assert out["new"]["own_share"] == 1
    assert out["good"]["rank"] == 1
    assert out["poor"]["rank"] == 4
    # Nothing is known of the new field itself, so its range is the widest.
    width = {n: r["net_high_per_ha"] - r["net_low_per_ha"] for n, r in out.items()}
    assert width["new"] == max(width.values())
    assert "no season's money of this field" in out["new"]["reason"]


def test_fields_that_differ_by_chance_are_not_told_apart() -> None:
    """Seasons scatter by 25 and fields not at all: their own means are mostly disbelieved."""
    away = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        money = []
        for name in "abc":
            money += _money(name, {t: v + rng.normal(0, 25) for t, v in NETS.items()})
        out = _derive(
            money, ("a", "b", "c"), [invented_trial.worked(n, "2018-10-20") for n in "abc"]
        )
        away += [abs(row["own_share"] - 1) for row in out.values()]
        assert all(0.02 < row["net_chance"] < 0.98 for row in out.values())
    assert np.mean(away) < 0.045  # taking their means at face value gives 0.063


def test_window_and_layer_of_the_check_strip() -> None:
    def day(d: date, strip: str, dry: bool | None, state: str | None, top: float = 20.0):
        return {
            "field": "old",
            "strip": strip,
            "day": d,
            "compacted_top_cm": top,
            "compacted_bottom_cm": top + 15,
            "working_depth_cm": top + 18,
            "cone_index_max_mpa": 2.6,
            "dry_enough": dry,
            "state": state,
            "caution": "c",
        }

    window = [
        day(date(2021, 9, 20), "check", True, "friable"),
        day(date(2021, 9, 21), "check", False, "wetter than friable"),
        day(date(2022, 9, 19), "check", True, "drier than friable"),  # it would pull hard
        day(date(2022, 9, 20), "check", True, "friable"),
        day(date(2022, 9, 21), "check", None, None, top=22.0),
        day(date(2022, 9, 22), "treated", True, "drier than friable", top=60.0),
        day(date(2022, 7, 1), "check", False, "wetter than friable"),  # a crop stood
        day(date(2021, 12, 1), "check", False, "wetter than friable"),  # too late in the year
    ]
    row = _derive(_money("old", NETS), window=window)["old"]
    assert row["dry_enough"] == pytest.approx(2 / 4)
    assert row["window_days"] == 4
    assert (row["compacted_top_cm"], row["compacted_bottom_cm"]) == (22, 37)
    assert (row["soil_state"], row["soil_state_day"]) == ("friable", date(2022, 9, 20))
    assert not row["partial"]
    assert row["reason"] is None


def test_too_little_is_said_and_no_number_is_made() -> None:
    row = _derive(_money("old", {1: 50.0, 2: 40.0}))["old"]
    assert row["expected_net_per_ha"] is None
    assert row["rank"] is None
    assert row["outlook"] == "cannot tell yet"
    assert "fewer than three" in row["reason"]
    assert row["partial"]


def test_empty() -> None:
    inputs = (
        "field",
        "season",
        "operation",
        "operation_cost",
        "payback",
        "response_fade",
        "working_window",
        "comparison",
    )
    assert field_outlook.derive(**{n: generated.empty(TABLES[n]) for n in inputs}).is_empty()


def test_the_coming_fall_is_each_fields_own() -> None:
    """A winter crop that is harvested a year later does not move the other fields' fall."""
    seasons = [("old", 2023, "spring wheat"), ("fresh", 2024, "winter wheat")]
    out = field_outlook.derive(
        field=invented_trial.fields("old", "fresh", "never"),
        season=invented_trial.seasons(seasons),
        operation=invented_trial.operations(invented_trial.worked("old", "2020-10-20")),
        operation_cost=rows("operation_cost", []),
        payback=rows("payback", []),
        response_fade=rows("response_fade", []),
        working_window=rows("working_window", []),
        comparison=rows("comparison", []),
    )
    found = {row["field"]: (row["fall"], row["years_since"]) for row in out.to_dicts()}
    # a field without a season of its own has the farm's fall
    assert found == {"old": (2023, 3), "fresh": (2024, None), "never": (2024, None)}
