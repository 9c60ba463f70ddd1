"""response: known differences, one pair, one side only, many site-years, mapped points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, rows
from transforms.trial import response

SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
NO_POINTS = generated.empty(TABLES["yield_point_cleaned"])


def _derive(yields, seasons, operations=None, points=NO_POINTS):
    fields = invented_trial.fields(*seasons["field"].unique().sort())
    out = response.derive(
        yields,
        seasons,
        invented_trial.operations() if operations is None else operations,
        fields,
        points,
    )
    check(out, "response")
    return by_key(out, "response")


def test_sleep_data_as_a_trial() -> None:
    out = _derive(
        invented_trial.strip_yields(
            invented_trial.passes(
                "north", 2020, [100 + x for x in SLEEP_1], [100 + x for x in SLEEP_2]
            )
        ),
        invented_trial.seasons([("north", 2020, "spring_wheat")]),
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
    )
    row = out["north", 2020]
    assert row["response_kg_ha"] == pytest.approx(-1.58)
    assert row["p"] == pytest.approx(0.002833, abs=5e-7)
    assert row["least_difference_kg_ha"] == pytest.approx(0.8799, abs=5e-5)
    assert (row["verdict"], row["blocks"], row["years_since"]) == ("loss", 10, 2)
    assert not row["partial"]
    assert row["coverage"] == 1.0


def test_one_pair_is_a_difference_without_a_test() -> None:
    out = _derive(
        invented_trial.strip_yields(
            invented_trial.passes("north", 2020, [3300], [3000]),
            invented_trial.passes("south", 2020, [3300, 3350, 3280], [3000, 3100, 3050]),
        ),
        invented_trial.seasons([("north", 2020, "spring_wheat"), ("south", 2020, "spring_wheat")]),
        invented_trial.operations(
            invented_trial.worked("north", "2019-10-20"),
            invented_trial.worked("south", "2019-10-20"),
        ),
    )
    row = out["north", 2020]
    assert row["response_kg_ha"] == 300
    assert row["response_pct"] == pytest.approx(10)
    assert row["p"] is None
    assert row["response_low_kg_ha"] is None
    assert row["verdict"] == "not tested"
    assert "without a test" in row["limits"]
    # Its error is borrowed from the other field: one block, so sqrt(3) times as wide there.
    south = out["south", 2020]
    assert row["shared_se_kg_ha"] / row["check_kg_ha"] == pytest.approx(
        math.sqrt(3) * south["shared_se_kg_ha"] / south["check_kg_ha"]
    )
    assert south["p_adjusted"] == south["p"]  # the untested pair is no second test


def test_one_side_only_keeps_its_row() -> None:
    row = _derive(
        invented_trial.strip_yields(invented_trial.passes("north", 2020, [3300, 3200], [])),
        invented_trial.seasons([("north", 2020, "spring_wheat")]),
    )["north", 2020]
    assert row["response_kg_ha"] is None
    assert row["verdict"] is None
    assert row["partial"]
    assert "only the treated strip" in row["reason"]


def test_a_pass_without_partner_is_left_out_and_said() -> None:
    yields = invented_trial.strip_yields(
        invented_trial.passes("north", 2020, [3300, 3400, 9999], [3000, 3100])
    )
    row = _derive(yields, invented_trial.seasons([("north", 2020, "spring_wheat")]))["north", 2020]
    assert row["response_kg_ha"] == 300
    assert row["coverage"] == pytest.approx(4 / 5)
    assert row["partial"]
    assert "no partner" in row["reason"]


def test_a_season_before_the_work_is_a_difference_of_the_ground() -> None:
    out = _derive(
        invented_trial.strip_yields(
            invented_trial.passes("north", 2018, [3100, 3120], [3000, 3060]),
            invented_trial.passes("north", 2019, [3400, 3420], [3000, 3000]),
            invented_trial.passes("north", 2021, [3400, 3420], [3000, 3000]),
        ),
        invented_trial.seasons([("north", y, "spring_wheat") for y in (2018, 2019, 2021)]),
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
    )
    assert out["north", 2018]["years_since"] is None
    assert "before this season" in out["north", 2018]["reason"]
    assert [out["north", y]["years_since"] for y in (2019, 2021)] == [1, 3]
    assert out["north", 2019]["before_kg_ha"] == pytest.approx(80)
    assert "differed by 80 kg/ha" in out["north", 2019]["limits"]


def test_spring_work_counts_for_the_same_year_and_a_worked_check_is_no_check() -> None:
    both = invented_trial.worked("north", "2021-04-20") | {"strip": "check"}
    out = _derive(
        invented_trial.strip_yields(
            invented_trial.passes("north", 2020, [3400, 3410, 3420], [3000, 3009, 3021]),
            invented_trial.passes("north", 2021, [3400, 3410, 3420], [3000, 3009, 3021]),
        ),
        invented_trial.seasons([("north", y, "spring_wheat") for y in (2020, 2021)]),
        invented_trial.operations(invented_trial.worked("north", "2020-04-20"), both),
    )
    assert out["north", 2020]["years_since"] == 1
    assert out["north", 2020]["verdict"] == "gain"
    assert out["north", 2021]["verdict"] == "not tested"
    assert "check strip was worked too" in out["north", 2021]["reason"]


def test_a_bad_block_shows() -> None:
    row = _derive(
        invented_trial.strip_yields(
            invented_trial.passes("north", 2020, [3000, 3010, 4000], [3020, 3030, 3000])
        ),
        invented_trial.seasons([("north", 2020, "spring_wheat")]),
    )["north", 2020]
    assert row["leaning_block"] == "3"
    assert row["leaning_share"] == pytest.approx(1000 / 960)
    assert row["without_leaning_kg_ha"] == pytest.approx(-20)
    assert "points the other way" in row["limits"]


def test_many_site_years_without_effect_seldom_claim_one() -> None:
    """Twelve site-years a farm, 60 farms, no effect: any claim at all on at most about 5 %."""
    rng = np.random.default_rng(6)
    claims = plain = 0
    farms, per = 60, 12
    for _ in range(farms):
        groups, seasons = [], []
        for i in range(per):
            treated, control = rng.normal(3000, 150, (2, 4))
            groups.append(invented_trial.passes(f"f{i}", 2020, list(treated), list(control)))
            seasons.append((f"f{i}", 2020, "spring_wheat"))
        out = _derive(
            invented_trial.strip_yields(*groups), invented_trial.seasons(seasons)
        ).values()
        claims += any(r["verdict"] in ("gain", "loss") for r in out)
        plain += any(r["p"] < 0.05 for r in out)
    assert claims / farms <= 0.15
    assert plain / farms > 0.25  # what reading each p by itself would have claimed


def test_mapped_points_give_a_second_interval() -> None:
    rng = np.random.default_rng(9)
    items = []
    for strip, east, level in (("treated", 5.0, 3300.0), ("check", 15.0, 3000.0)):
        slow = np.cumsum(rng.normal(0, 20, 400)) * 0.3
        for i in range(400):
            items.append(
                {
                    "field": "north",
                    "season": 2020,
                    "map_file": "m",
                    "point": len(items) + 1,
                    "strip": strip,
                    "pass": "1",
                    "east_m": east + 0.8 * 2 * i,  # the strips run to the north-east
                    "north_m": -east + 0.6 * 2 * i,
                    "yield_kg_ha": level + slow[i] + rng.normal(0, 60),
                    "kept": True,
                    "partial": False,
                }
            )
    row = _derive(
        invented_trial.strip_yields(invented_trial.passes("north", 2020, [3300], [3000])),
        invented_trial.seasons([("north", 2020, "spring_wheat")]),
        points=rows("yield_point_cleaned", items),
    )["north", 2020]
    assert row["map_sections"] == pytest.approx(800 / 20, abs=2)
    assert row["map_response_kg_ha"] == pytest.approx(300, abs=120)
    assert row["map_low_kg_ha"] < row["map_response_kg_ha"] < row["map_high_kg_ha"]


@given(
    st.lists(st.tuples(st.floats(500, 9000), st.floats(500, 9000)), min_size=2, max_size=6),
    st.randoms(use_true_random=False),
)
@settings(max_examples=15, deadline=None)
def test_swapped_strips_turn_the_sign_and_order_does_not_matter(pairs, shuffle) -> None:
    treated, control = [a for a, _ in pairs], [b for _, b in pairs]
    seasons = invented_trial.seasons([("north", 2020, "spring_wheat")])

    def one(yields):
        return _derive(yields, seasons)["north", 2020]

    rows_ = invented_trial.passes("north", 2020, treated, control)
    row = one(invented_trial.strip_yields(rows_))
    mirrored = one(
        invented_trial.strip_yields(invented_trial.passes("north", 2020, control, treated))
    )
    mixed = list(rows_)
    shuffle.shuffle(mixed)
    assert one(invented_trial.strip_yields(mixed)) == row
    assert mirrored["response_kg_ha"] == pytest.approx(-row["response_kg_ha"], abs=1e-9)
    assert mirrored["response_low_kg_ha"] == pytest.approx(-row["response_high_kg_ha"], abs=1e-6)
    assert mirrored["p"] == pytest.approx(row["p"], abs=1e-9)


def test_empty_inputs_give_an_empty_table() -> None:
    out = response.derive(
        *(
            generated.empty(TABLES[name])
            for name in ("strip_yield", "season", "operation", "field", "yield_point_cleaned")
        )
    )
    assert out.is_empty()
    assert out.columns == list(TABLES["response"].names)
