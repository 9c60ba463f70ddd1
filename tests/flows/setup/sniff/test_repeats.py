from datetime import datetime

import pytest

from flows.setup.sniff import sniff_file
from flows.setup.sniff.finding import Sure
from schemas.farm.layout import Layout
from tests.flows.setup.sniff.invented_exports import asked, days, found, hours, sniffed, text

PROBES = 12


def probes(stamps, *, name):
    return [
        (t, *((f"X{k:02d}",) if name else ()), depth, 20 + k + depth / 10 + i % 5)
        for i, t in enumerate(stamps)
        for k in range(PROBES)
        for depth in (10, 30, 60)
    ]


@pytest.mark.parametrize("heading", ["Tag", "x1", "Bezeichnung"])
def test_a_column_of_any_name_tells_the_probes(heading):
    proposal = sniffed(f"when,{heading},Depth cm,VWC (%)", probes(hours(60), name=True))
    assert proposal.layout["instrument_column"] == heading
    assert (proposal.layout["depth_column"], proposal.layout["step"]) == ("Depth cm", "1 h")
    finding = found(proposal, "instrument_column")
    assert finding.sure is Sure.LIKELY
    assert "12 instruments" in finding.evidence
    Layout.model_validate(proposal.layout)


def test_where_no_column_tells_them_it_is_asked():
    proposal = sniffed("when,Depth cm,VWC (%)", probes(hours(60), name=False))
    question = asked(proposal)["instrument_column"]
    assert "each time and depth occurs 12 times with different values" in question
    assert "which column tells" in question


def test_two_columns_that_tell_them_together_are_named():
    rows = [
        (t, f"plot {p}", f"s{s}", 20 + p + s + i % 5)
        for i, t in enumerate(hours(60))
        for p in range(3)
        for s in range(3)
    ]
    proposal = sniffed("when,Field area,Part,VWC 10 cm (%)", rows)
    assert proposal.layout["instrument_column"] == ["Field area", "Part"]
    assert "9 instruments (plot 0 s0, " in found(proposal, "instrument_column").evidence
    Layout.model_validate(proposal.layout)


def test_two_observers_of_some_days_are_reported():
    rows = [
        (day, 15 + i % 7 + k, 2 + i % 3 - k, i % 4 + k)
        for i, day in enumerate(days(300))
        for k in range(2 if i < 40 else 1)
    ]
    proposal = sniffed("Date,Max Temp (C),Min Temp (C),Precip (mm)", rows)
    assert "40 of 300 times" in asked(proposal)["instrument_column"]
    own = ["", *(row[0] for row in rows[:-1])]  # the day of the row before
    named = [(*row, "B" if row[0] == day else "A") for day, row in zip(own, rows, strict=True)]
    proposal = sniffed("Date,Max Temp (C),Min Temp (C),Precip (mm),Who", named)
    assert proposal.layout["instrument_column"] == "Who"


def test_a_row_written_twice_and_the_doubled_hour_are_no_instruments():
    rows = [(t, 5 + i % 11) for i, t in enumerate(hours(24 * 60, datetime(2020, 10, 1)))]
    doubled = [row for row in rows if row[0] == "2020-11-01 01:00"]
    rows = [*rows[:700], *rows[700:720], *rows[700:]]
    rows = sorted([*rows, *((t, v + 1) for t, v in doubled)])
    assert "instrument_column" not in asked(sniffed("time,Air Temp (C)", rows))


def test_names_that_may_be_depths_are_asked_about():
    rows = [(t, d, 20 + d / 10 + i % 5) for i, t in enumerate(hours(80)) for d in (10, 20, 40)]
    question = asked(sniffed("time,Tiefe,VWC (%)", rows))["instrument_column"]
    assert "or are they depths?" in question


def test_morning_and_afternoon_in_a_column_of_their_own_belong_to_the_time():
    rows = []
    for i, t in enumerate(hours(24 * 20)):
        at = datetime.fromisoformat(t)
        rows.append((f"{at:%m/%d/%Y}", f"{at:%I:%M}", f"{at:%p}", 15 + i % 9))
    proposal = sniffed("Date,Time,Half,Air Temp (C)", rows)
    assert proposal.layout["time"]["columns"] == ["Date", "Time", "Half"]
    assert proposal.layout["step"] == "1 h"
    assert "instrument_column" not in proposal.layout


def of_observers(days_of):
    """Files of daily values by observer; each has days of its own or the same ones."""
    return {
        f"{'ab'[k]}.csv": text(
            "Date,Max Temp (C),Min Temp (C),Precip (mm)",
            [(day, 15 + i % 7 + k, 2 + i % 3 - k, i % 4) for i, day in enumerate(dates)],
        )
        for k, dates in enumerate(days_of)
    }


@pytest.mark.parametrize("same", [True, False])
def test_days_that_two_files_give_differently_are_asked_about(tmp_path, same):
    dates = days(200)
    files = of_observers([dates[:120], dates[100:] if same else dates[120:]])
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    proposal = sniff_file.sniff([tmp_path / name for name in files], None).proposal
    questions = [question.evidence for question in proposal.questions if question.item == "files"]
    assert len(questions) == same
    if same:
        assert questions[0].startswith("20 days have other values in another file (such as 20")
        assert "in a.csv and b.csv" in questions[0]
