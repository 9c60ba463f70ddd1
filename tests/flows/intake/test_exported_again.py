import pytest

from flows.trust.backup import rebuild
from tests.flows.loggers import ask, drop, make, row, take

GONE = "SELECT reason FROM delivery WHERE reason IS NOT NULL ORDER BY sequence"
FIRST = [row(h, 50, 0.1, 0.3, 0.35) for h in range(6)]


@pytest.fixture
def folder(tmp_path):
    folder = make(tmp_path / "farm")
    drop(folder, "a.csv", FIRST)
    take(folder)
    return folder


def values(folder):
    return ask(
        folder,
        "SELECT (SELECT count(air_temp_c) + count(rain_mm) FROM weather_reading), "
        "(SELECT count(vwc_pct) FROM soil_reading)",
    )


@pytest.mark.parametrize(
    ("lines", "note"),
    [
        (
            [*FIRST[:2], *FIRST[3:]],  # a row removed: two of the station, two of the probe
            "4 earlier values are no longer in the file and were kept",
        ),
        (
            [FIRST[0], row(1, 50, 0.1, "", 0.35), *FIRST[2:], row(6, 50, 0, 0.3, 0.35)],
            "1 earlier value is no longer in the file and was kept",
        ),
        ([*FIRST[:2], row(2, 51, 0.1, 0.3, 0.35), *FIRST[3:]], None),  # changed, not gone
        (FIRST[3:], None),  # its ring memory begins later
        ([row(h, 50, 0.1, 0.3, "") for h in range(6)], None),  # a whole series, as at a new set-up
    ],
)
def test_what_a_file_no_longer_says_is_kept_and_noted(folder, lines, note):
    drop(folder, "a.csv", lines)
    take(folder)
    found = values(folder)[0]
    assert found[0] >= 12
    assert found[1] >= 12
    assert [reason for (reason,) in ask(folder, GONE)] == ([note] if note else [])


def test_another_file_and_a_longer_one_are_no_second_export(folder):
    drop(folder, "b.csv", [FIRST[0], FIRST[5]])
    drop(folder, "a.csv", [*FIRST, row(6, 50, "", "", "")])
    take(folder)
    assert ask(folder, GONE) == []


def test_a_rebuild_says_the_same(folder):
    drop(folder, "a.csv", [FIRST[0], FIRST[5]])
    take(folder)
    before = ask(folder, GONE)
    rebuild.rebuild(folder)
    assert (
        ask(folder, GONE)
        == before
        == [("16 earlier values are no longer in the file and were kept",)]
    )
