"""response: known differences, one pair, one side only, many site-years."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import generated
from schemas.catalogue import TABLES
from schemas.compared import as_made
from tests.transforms import invented_trial
from tests.transforms.frames import by_key, check, rows
from transforms.trial import response

SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
BY_LOT = [{"field": f, "strip": "treated", "randomized": "each block"} for f in ("north", "south")]


def _derive(yields, seasons, operations=None, strips=()):
    fields = invented_trial.fields(*seasons["field"].unique().sort())
    out = response.derive(
        strip_yield=yields,
        season=seasons,
        operation=invented_trial.operations() if operations is None else operations,
        field=fields,
        strip=rows("strip", strips),
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
        invented_trial.seasons([("north", 2020, "spring wheat")]),
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
        strips=BY_LOT,
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
        invented_trial.seasons([("north", 2020, "spring wheat"), ("south", 2020, "spring wheat")]),
        invented_trial.operations(
            invented_trial.worked("north", "2019-10-20"),
            invented_trial.worked("south", "2019-10-20"),
        ),
        strips=BY_LOT,
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
    assert row["response_se_kg_ha"] / row["check_kg_ha"] == pytest.approx(
        math.sqrt(3) * south["response_se_kg_ha"] / south["check_kg_ha"]
    )
    assert row["own_se_kg_ha"] is None


def test_one_side_only_keeps_its_row() -> None:
    row = _derive(
        invented_trial.strip_yields(invented_trial.passes("north", 2020, [3300, 3200], [])),
        invented_trial.seasons([("north", 2020, "spring wheat")]),
    )["north", 2020]
    assert row["response_kg_ha"] is None
    assert row["verdict"] is None
    assert row["partial"]
    assert "only the treated strip" in row["reason"]


def test_a_pass_without_partner_is_left_out_and_said() -> None:
    yields = invented_trial.strip_yields(
        invented_trial.passes("north", 2020, [3300, 3400, 9999], [3000, 3100])
    )
    row = _derive(yields, invented_trial.seasons([("north", 2020, "spring wheat")]))["north", 2020]
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
        invented_trial.seasons([("north", y, "spring wheat") for y in (2018, 2019, 2021)]),
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
    )
    assert out["north", 2018]["years_since"] is None
    assert "before this season" in out["north", 2018]["reason"]
    assert [out["north", y]["years_since"] for y in (2019, 2021)] == [1, 3]
    assert out["north", 2019]["before_kg_ha"] == pytest.approx(80)
    assert "before the work too" in out["north", 2019]["limits"]
    assert out["north", 2018]["verdict"] == "not tested"


def test_a_field_that_was_better_before_is_no_gain() -> None:
    """Two seasons before and two after, 4% better in all: today's verdict says no gain.

    The part that comes back is taken off, with its error in the interval.
    """
    rng = np.random.default_rng(4)
    groups = [
        invented_trial.passes("north", y, list(3120 + rng.normal(0, 60, 5)), [3000] * 5)
        for y in range(2018, 2022)
    ]
    out = _derive(
        invented_trial.strip_yields(*groups),
        invented_trial.seasons([("north", y, "spring_wheat") for y in range(2018, 2022)]),
        invented_trial.operations(invented_trial.worked("north", "2019-10-20")),
    )
    before = [out["north", y]["response_kg_ha"] for y in (2018, 2019)]
    for y in (2020, 2021):
        row = out["north", y]
        assert row["verdict"] == "not shown"
        assert 0.2 * np.mean(before) < row["ground_kg_ha"] < np.mean(before)
        assert row["response_kg_ha"] + row["ground_kg_ha"] == pytest.approx(
            row["treated_kg_ha"] - row["check_kg_ha"]
        )
        assert row["lasting_se_kg_ha"] < row["ground_se_kg_ha"] < row["response_se_kg_ha"]


def test_spring_work_counts_for_the_same_year_and_a_worked_check_is_no_check() -> None:
    both = invented_trial.worked("north", "2021-04-20") | {"strip": "check"}
    out = _derive(
        invented_trial.strip_yields(
            invented_trial.passes("north", 2020, [3400, 3410, 3420], [3000, 3009, 3021]),
            invented_trial.passes("north", 2021, [3400, 3410, 3420], [3000, 3009, 3021]),
        ),
        invented_trial.seasons([("north", y, "spring wheat") for y in (2020, 2021)]),
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
        invented_trial.seasons([("north", 2020, "spring wheat")]),
    )["north", 2020]
    assert row["most_influential_block"] == "3"
    assert row["most_influential_share"] == pytest.approx(1000 / 960)
    assert row["without_most_influential_kg_ha"] == pytest.approx(-20)
    assert "points the other way" in row["limits"]


def _farm(rng, true_pct, fields, seasons, blocks):
    """A farm worked in 2018: responses about a true one in percent, even ground."""
    groups, grown, work = [], [], []
    for i in range(fields):
        work.append(invented_trial.worked(f"f{i}", "2018-10-20"))
        for year in range(2019, 2019 + seasons):
            gain = 3000 * (1 + rng.normal(true_pct, 3.3, blocks) / 100)
            groups.append(invented_trial.passes(f"f{i}", year, list(gain), [3000.0] * blocks))
            grown.append((f"f{i}", year, "spring wheat"))
    return groups, grown, work


def _of_farm(groups, grown, work):
    return _derive(
        invented_trial.strip_yields(*groups),
        invented_trial.seasons(grown),
        invented_trial.operations(*work),
    )


def test_site_years_without_effect_seldom_claim_one_and_six_percent_is_found() -> None:
    """Two passes a strip, four fields and seasons: the error is shared, so six percent shows."""
    rng = np.random.default_rng(6)
    called = {0.0: 0, 6.0: 0}
    own = tried = 0
    for _ in range(12):
        for true in called:
            out = _of_farm(*_farm(rng, true, 4, 4, 2)).values()
            called[true] += sum(r["verdict"] in ("gain", "loss") for r in out)
            if true:
                tried += len(out)
                # what each site-year's own two blocks would have called: |t| > 12.7
                own += sum(abs(r["response_kg_ha"]) > 12.706 * r["own_se_kg_ha"] for r in out)
    assert called[0.0] / tried <= 0.08
    assert called[6.0] / tried >= 0.36
    assert own / tried < 0.2


def test_a_later_season_changes_no_earlier_verdict() -> None:
    """The rows of 2019 to 2021 are the same whether or not 2022 was harvested."""
    groups, grown, work = _farm(np.random.default_rng(8), 4.0, 3, 4, 3)
    whole = _of_farm(groups, grown, work)
    then = _of_farm(
        [g for g, (_, year, _) in zip(groups, grown, strict=True) if year < 2022],
        [one for one in grown if one[1] < 2022],
        work,
    )
    assert len(then) == 9
    assert all(row == whole[key] for key, row in then.items())


def test_two_passes_of_a_first_season_cannot_tell_yet() -> None:
    groups, grown, work = _farm(np.random.default_rng(1), 6.0, 1, 2, 2)
    out = _of_farm(groups, grown, work)
    assert out["f0", 2019]["verdict"] == "cannot tell yet"
    assert "one more season" in out["f0", 2019]["limits"]
    assert 1.5 < out["f0", 2020]["response_df"] < 2  # two of the blocks, less what the ground takes
    assert out["f0", 2020]["verdict"] in ("gain", "not shown")


def test_another_practice_or_method_lends_no_scatter() -> None:
    quiet = invented_trial.passes("north", 2020, [3300, 3320, 3310], [3000, 3006, 3009])
    wild = invented_trial.passes("south", 2020, [3300, 3350, 3270], [3000, 3000, 3000])
    mapped = [row | {"method": "yield map"} for row in wild]
    seasons = invented_trial.seasons([("north", 2020, "spring wheat"), ("south", 2020, "canola")])
    work = invented_trial.operations(
        invented_trial.worked("north", "2019-10-20"), invented_trial.worked("south", "2019-10-20")
    )
    alone = _derive(invented_trial.strip_yields(quiet), seasons[:1], work, strips=BY_LOT)[
        "north", 2020
    ]
    apart = _derive(invented_trial.strip_yields(quiet, mapped), seasons, work, strips=BY_LOT)[
        "north", 2020
    ]
    together = _derive(invented_trial.strip_yields(quiet, wild), seasons, work, strips=BY_LOT)[
        "north", 2020
    ]
    assert apart["response_se_kg_ha"] == pytest.approx(alone["response_se_kg_ha"])
    assert together["response_se_kg_ha"] > 1.2 * alone["response_se_kg_ha"]


def test_a_map_corrected_by_weighed_passes_gives_response_and_scatter_and_says_so() -> None:
    """Mapped at nine tenths of the scale: corrected differences of 243, 270 and 297 kg/ha."""
    mapped = invented_trial.passes("north", 2020, [3243, 3270, 3297], [3000] * 3)
    mapped = [
        one | {"yield_kg_ha": 0.9 * one["yield_kg_ha"], "method": "yield map"}
        for one in mapped
        if one["pass"] != "all"
    ]
    mapped = [one | {"calibration": 1 / 0.9} for one in mapped]
    weighed = invented_trial.passes("north", 2020, [3100, 3200], [3000, 3000])
    weighed = [one | {"used": one["pass"] == "all"} for one in weighed]
    row = _derive(
        invented_trial.strip_yields(mapped, weighed),
        invented_trial.seasons([("north", 2020, "spring wheat")]),
        invented_trial.operations(invented_trial.worked("north", "2018-10-20")),
    )["north", 2020]
    assert (row["method"], row["blocks"], row["calibration"]) == (
        "yield map",
        3,
        pytest.approx(1 / 0.9),
    )
    assert row["response_kg_ha"] == pytest.approx(270)
    assert row["check_kg_ha"] == pytest.approx(3000)
    assert row["own_se_kg_ha"] == pytest.approx(27 / 3**0.5)
    assert "weighed passes correct the map" in row["limits"]


@given(
    st.lists(st.tuples(st.floats(500, 9000), st.floats(500, 9000)), min_size=2, max_size=6),
    st.randoms(use_true_random=False),
)
@settings(max_examples=15, deadline=None)
def test_swapped_strips_turn_the_sign_and_order_does_not_matter(pairs, shuffle) -> None:
    treated, control = [a for a, _ in pairs], [b for _, b in pairs]
    seasons = invented_trial.seasons([("north", 2020, "spring wheat")])

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
    if row["p"] is None:  # blocks without any scatter test nothing
        assert mirrored["p"] is None
        return
    assert mirrored["response_low_kg_ha"] == pytest.approx(-row["response_high_kg_ha"], abs=1e-6)
    assert mirrored["p"] == pytest.approx(row["p"], abs=1e-9)


def test_empty_inputs_give_an_empty_table() -> None:
    names = ("strip_yield", "season", "operation", "field", "strip")
    out = response.derive(**{name: generated.empty(TABLES[name]) for name in names})
    assert out.is_empty()
    assert out.columns == list(as_made(TABLES["response"]).names)
