"""The start page: what it shows, that it tells when the program has stopped, in a real Chromium too."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe

from flows.farm.folder import FarmFolder
from flows.pages.start import last_readings, write
from flows.pages.start.write import State
from flows.run import steps
from flows.trust import status
from tests.flows.browser import SIZES, opened
from tests.flows.pages import farm

ZONE = ZoneInfo("America/Regina")
IN_SEASON = farm.datetime_in(farm.WEEK_IN_SEASON)
TWO_WEEKS = timedelta(days=14)


@pytest.fixture
def folder(published: FarmFolder, tmp_path: Path) -> FarmFolder:
    """A copy that may be written to."""
    shutil.copytree(published.root, tmp_path / "farm")
    return FarmFolder.at(tmp_path / "farm")


def page(folder: FarmFolder, now: datetime = IN_SEASON, **given: list[str]) -> str:
    heard = status.status(folder, now).instruments
    path = write.write(folder, State(now, ZONE, instruments=heard, **given))
    assert path == folder.root / "index.html"
    return path.read_text(encoding="utf-8")


def rows(html: str, caption: str) -> list[list[str]]:
    """The cells of a table as text."""
    table = html.partition(f"<caption>{caption}")[2].partition("</table>")[0]
    found = re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
    cells = [re.findall(r"<td.*?>(.*?)</td>", row, re.DOTALL) for row in found]
    return [
        [re.sub(r"<.*?>", "", cell).replace("\xa0", " ") for cell in row] for row in cells if row
    ]


def test_it_shows_what_needs_attention_or_that_nothing_does(folder: FarmFolder) -> None:
    html = page(folder)
    assert "All is well" in html
    assert "To do now" not in html
    html = page(folder, attention=["The <b>gauge</b> is blocked."], notes=["No backup is set up."])
    assert "<li>The &lt;b&gt;gauge&lt;/b&gt; is blocked.</li>" in html
    assert "No backup is set up." in html
    assert "All is well" not in html


def test_each_field_has_a_row_of_what_the_tables_say(folder: FarmFolder, tables) -> None:
    (row,) = rows(page(folder), "Each field at a glance")
    day = IN_SEASON.astimezone(ZONE).date()
    rain = tables("rain_day", strip="check", day=day)["season_to_date_mm"].item()
    assert row[:5] == ["Home", "spring wheat", f"{rain:.1f} mm", row[3], day.isoformat()]
    water = tables("profile_water_day", strip="treated", day=day)["available_water_mm"].item()
    assert row[5] == f"{water:.1f} mm"


def test_outside_a_season_a_field_keeps_its_row(folder: FarmFolder) -> None:
    (row,) = rows(page(folder, datetime(2031, 1, 5, 12, tzinfo=UTC)), "Each field at a glance")
    assert row == ["Home", "no crop stands", *["–"] * 8]


def test_each_standing_instrument_is_shown_by_the_farms_clock(folder: FarmFolder) -> None:
    shown = rows(page(folder), "Each instrument")
    assert [row[0] for row in shown] == [
        "station C (station)",
        "station T (station)",
        "probe C (probe)",
        "probe T (probe)",
    ]
    assert all("mean of 2024-06" in row[2] for row in shown)
    assert "°C" in shown[0][2]
    assert "at 10 cm" in shown[2][2]
    assert all(row[1].startswith("September 3, 00:00") for row in shown)  # 06:00 UTC


def test_a_small_line_is_broken_where_days_are_lost() -> None:
    day = IN_SEASON.date()
    days = [day - timedelta(days=back) for back in (29, 28, 10, 9, 0)]
    values = pl.DataFrame({"day": days, "x": [1.0, 2.0, 3.0, 2.0, 5.0]})
    pieces = last_readings._line(values, "x", day).split("|")
    assert [piece.count(",") for piece in pieces] == [2, 2, 1]
    assert pieces[0].startswith("0.0,")
    assert pieces[2] == f"{last_readings.WIDTH:.1f},2.0"  # the highest, today
    assert last_readings._line(values.head(1), "x", day) == ""


def test_a_farm_without_anything_has_a_page(tmp_path: Path) -> None:
    (tmp_path / "farm").mkdir()
    (tmp_path / "farm" / "farm.toml").write_text("")
    html = page(FarmFolder.at(tmp_path / "farm"), attention=["Nothing is published yet."])
    assert "Nothing is published yet." in html
    assert "<h1>farm</h1>" in html


def test_a_damaged_copy_leaves_what_the_status_found(folder: FarmFolder) -> None:
    folder.published_file.chmod(0o644)
    folder.published_file.write_bytes(b"x" * 20_000)
    html = page(folder, attention=["The published copy is damaged."])
    assert "The published copy is damaged." in html
    assert "Each field" not in html


def test_faults_of_the_book_and_pages_are_there(folder: FarmFolder) -> None:
    for name in ("2024-W25.html", "2024-W26.html", "a b.html"):
        folder.digests.mkdir(exist_ok=True)
        (folder.digests / name).write_text("x")
    html = page(folder)
    assert '<a href="digests/2024-W26.html">2024-W26.html</a>' in html
    assert 'href="digests/a%20b.html"' in html
    assert "Reports: none yet" in html


def test_every_run_writes_it_and_it_stops_nothing(
    folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert steps.turn(folder, steps=()) == []
    first = (folder.root / "index.html").read_text(encoding="utf-8")
    assert "Invented Farm" in first
    monkeypatch.setattr(write, "write", lambda *_: (_ for _ in ()).throw(OSError("full")))
    assert steps.turn(folder, steps=()) == []

    def failing(*_: object) -> None:
        raise ValueError("a step that fails")

    monkeypatch.undo()
    (folder.root / "index.html").unlink()
    with pytest.raises(ValueError, match="a step that fails"):
        steps.turn(folder, steps=(failing,))
    assert (folder.root / "index.html").is_file()


@pytest.mark.parametrize("size", SIZES)
def test_in_a_browser_it_fits_loads_nothing_and_is_accessible(
    browser, folder: FarmFolder, size: str
) -> None:
    page(folder, attention=["The station station T has sent no values."])
    tab, outside, faults = opened(browser, folder.root / "index.html", size)
    try:
        assert (outside, faults) == ([], [])
        assert tab.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
        found = Axe().run(tab)
        assert found.violations_count == 0, found.generate_report()
        tab.keyboard.press("Tab")
        assert tab.evaluate("document.activeElement.tagName") in ("DIV", "A")
    finally:
        tab.close()


@pytest.mark.parametrize(
    ("age", "says"), [(timedelta(hours=20), None), (timedelta(days=3, hours=1), "3 days old")]
)
def test_it_tells_when_the_program_has_stopped(
    browser, folder: FarmFolder, age: timedelta, says: str | None
) -> None:
    html = page(folder, datetime.now(UTC) - age)
    assert "If that is more than a day ago, Checkstrip has stopped." in html  # without script too
    tab, _, faults = opened(browser, folder.root / "index.html", "laptop")
    try:
        assert faults == []
        stopped = tab.locator("#stopped")
        assert stopped.is_visible() == (says is not None)
        assert (says or "") in stopped.inner_text()
    finally:
        tab.close()
