"""Columns of each instrument under one rule, without files."""

from __future__ import annotations

import tomllib

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from schemas.farm.farm import Farm
from tests.flows.loggers import FARM

PROBES = """
[probe_defaults]
field = "North"
strip = "check"
from = 2020-01-01
sensors = [{depth_cm = 20}, {depth_cm = 40}]
[[probes]]
name = "oak"
ids = ["1", "P-one"]
[[probes]]
name = "elm"
ids = ["12"]
"""
HEAD = FARM[: FARM.index("[[probes]]")]
LAYOUT = """
[layouts.wide]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.wide.columns]
"P{probe}_VWC_20" = {quantity = "vwc", depth_cm = 20, names = ["Probe {probe}, 20 cm"]}
"P{probe}_VWC_40" = {quantity = "vwc", depth_cm = 40}
"P12_VWC_40" = {quantity = "vwc", depth_cm = 40, probe = "elm", unit = "m^3/m^3"}
"T {station}" = {quantity = "air_temp"}
"""


def farm(layout: str = LAYOUT, probes: str = PROBES) -> Farm:
    return farm_file.parse(tomllib.loads(HEAD + probes + layout), "farm.toml")


def test_each_instrument_gets_its_columns_under_all_its_words() -> None:
    columns = farm().layouts["wide"].columns
    assert {name: (rule.owner, rule.names) for name, rule in columns.items()} == {
        "Poak_VWC_20": (
            "oak",
            (
                "P1_VWC_20",
                "PP-one_VWC_20",
                "Probe oak, 20 cm",
                "Probe 1, 20 cm",
                "Probe P-one, 20 cm",
            ),
        ),
        "Pelm_VWC_20": ("elm", ("P12_VWC_20", "Probe elm, 20 cm", "Probe 12, 20 cm")),
        "Poak_VWC_40": ("oak", ("P1_VWC_40", "PP-one_VWC_40")),
        "P12_VWC_40": ("elm", ()),  # a column named whole goes before the pattern
        "T west": ("west", ("T W1",)),
    }


def test_what_a_file_lacks_is_said_of_instruments_that_are_in_it() -> None:
    layout = farm().layouts["wide"]
    assert layout.lacking({"Poak_VWC_20"}) == ["P12_VWC_40", "Poak_VWC_40"]
    assert layout.lacking({"P12_VWC_40"}) == []
    headings = ["P9_VWC_20", "p12_vwc_20", "Px_VWC_20", "Probe 33, 20 cm", "Pressure_VWC_20", "T"]
    assert layout.of_nobody(headings) == [
        "P9_VWC_20",
        "Px_VWC_20",
        "Probe 33, 20 cm",
        "Pressure_VWC_20",
    ]
    numbers = PROBES.replace(', "P-one"', "").replace('"oak"', '"7"')
    only_numbers = farm(
        LAYOUT.replace('"elm"', '"12"'), numbers.replace('"elm"\nids = ["12"]', '"12"')
    )
    assert only_numbers.layouts["wide"].of_nobody(headings) == ["P9_VWC_20", "Probe 33, 20 cm"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"T {station}"', '"T {probe}"', "air_temp is of a station: write {station} once"),
        ("P{probe}_VWC_40", "P{probe}{probe}_VWC_40", "write {probe} once"),
        ('names = ["Probe {probe}, 20 cm"]', 'names = ["Probe, 20 cm"]', "in each of its names"),
        ('depth_cm = 20, ', 'depth_cm = 20, probe = "oak", ', "says whose column it is"),
        ('depth_cm = 20, ', 'depth_cm = 20, flag = "F{probe}", flags = {M = "missing"}, ', "a flag column"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said(old: str, new: str, says: str) -> None:
    with pytest.raises(UserError) as fault:
        farm(LAYOUT.replace(old, new, 1))
    assert says in str(fault.value)


def test_without_instruments_the_pattern_stands_and_fits_nothing() -> None:
    text = "\n".join(line for line in LAYOUT.splitlines() if not line.startswith(('"P12', '"T')))
    assert list(farm(text, "").layouts["wide"].columns) == ["P{probe}_VWC_20", "P{probe}_VWC_40"]
