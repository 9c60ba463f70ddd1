import stat
import subprocess
import sys
from datetime import date, datetime

import pytest
import time_machine

from flows.cli import start_page
from flows.setup import demo
from tests.flows.cli.calling import call

DESKTOP = ("DISPLAY", "WAYLAND_DISPLAY", "SSH_CONNECTION", "CI")


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="they always have a desktop")
@pytest.mark.parametrize(
    ("given", "seen"),
    [
        ({}, False),
        ({"DISPLAY": ":0"}, True),
        ({"WAYLAND_DISPLAY": "wayland-0"}, True),
        ({"DISPLAY": ":0", "SSH_CONNECTION": "10.0.0.1 22"}, False),
        ({"DISPLAY": ":0", "CI": "1"}, False),
    ],
)
def test_a_window_is_opened_only_where_somebody_sees_it(monkeypatch, given, seen):
    for name in DESKTOP:
        monkeypatch.delenv(name, raising=False)
    for name, value in given.items():
        monkeypatch.setenv(name, value)
    assert start_page.has_display() is seen


@pytest.mark.skipif(sys.platform == "win32", reason="a browser of a shell script")
def test_the_browser_is_given_the_page(tmp_path, monkeypatch):
    seen, browser = tmp_path / "seen", tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\nprintf %s "$1" > "{seen}"\n', encoding="utf-8")
    browser.chmod(browser.stat().st_mode | stat.S_IEXEC)
    code = (
        "from pathlib import Path; from flows.cli import start_page; "
        f"start_page.show(Path({str(tmp_path)!r}))"
    )

    env = {"BROWSER": f"{browser} %s", "PATH": "/usr/bin:/bin", "PYTHONPATH": ":".join(sys.path)}
    subprocess.run([sys.executable, "-c", code], check=True, env=env, timeout=60)
    assert seen.read_text(encoding="utf-8") == (tmp_path.resolve() / "index.html").as_uri()


@pytest.mark.parametrize("day", ["2020-01-01", "2199-01-01", "tomorrow"])
def test_a_demo_cannot_end_on_any_day(capsys, monkeypatch, tmp_path, day):
    code, _, err = call(capsys, monkeypatch, "demo", tmp_path / "d", "--date", day)
    assert code == 2
    assert day in err
    assert not (tmp_path / "d").exists()


def test_the_demo_ends_before_today_by_the_clock_of_its_farm():
    for now, last in (("2026-11-30T06:59Z", 28), ("2026-11-30T07:01Z", 29)):
        with time_machine.travel(datetime.fromisoformat(now), tick=False):
            assert demo.yesterday() == date(2026, 11, last)
