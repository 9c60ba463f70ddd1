"""The night's page in a real Chromium with the network watched."""

from datetime import UTC, datetime

import pytest

from flows.trust.audit import page
from flows.trust.audit.outcome import Outcome
from tests.flows.browser import opened

HOSTILE = (
    '<img src="http://example.invalid/x" onerror="fetch(\'http://example.invalid/y\')">'
    '<script>fetch("http://example.invalid/z")</script>'
)
PLAIN = "A day's rain is more than can fall."


def outcomes():
    texts = (("is within 0 to 500", "rain_mm", PLAIN), (HOSTILE, HOSTILE, HOSTILE))
    return [
        Outcome("rain_day", words, column, state, severity, 300, unmet, said, said)
        for state, unmet in (("failed", 3), ("held", 0), ("not evaluated", 0))
        for severity in ("failure", "warning")
        for words, column, said in texts
    ]


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_it_asks_for_nothing_and_fits(browser, tmp_path, size):
    written = page.write(tmp_path, datetime(2025, 1, 2, 3, tzinfo=UTC), HOSTILE, outcomes())
    tab, outside, faults = opened(browser, written, size)
    try:
        tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        tab.wait_for_timeout(200)
        assert outside == []
        assert faults == []
        wide = tab.evaluate("document.documentElement.scrollWidth")
        assert wide <= tab.viewport_size["width"]
        assert PLAIN in tab.inner_text("body")
        assert HOSTILE in tab.inner_text("h1")
        tab.screenshot(path=tmp_path / "page.png", full_page=True)
    finally:
        tab.close()


def test_the_watch_sees_what_a_page_asks_for(browser, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text('<p>x<img src="http://127.0.0.1:9/x.png">')
    tab, outside, _ = opened(browser, bad, "phone")
    tab.close()
    assert outside == ["http://127.0.0.1:9/x.png"]
