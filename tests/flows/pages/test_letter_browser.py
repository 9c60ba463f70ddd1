"""The letter and the digest's page in a real Chromium: on a small phone, in the dark, with pictures blocked."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.flows.pages import farm
from tests.flows.pages.mailed import mailed_html, many
from tests.flows.pages.page_text import digest

WIDTHS = (360, 599, 600, 768, 1280)
# WCAG 2.2, success criterion 1.4.3: contrast of text, at least 4.5 to 1.
CONTRAST = 4.5


@pytest.fixture(scope="module")
def pages(tables, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The letter as a mail program shows it, with its pictures blocked, and the page; three fields."""
    where = tmp_path_factory.mktemp("letter")
    blocked, pictures = mailed_html(many(tables, 3), farm.WEEK_IN_SEASON)
    shown = blocked
    for cid, image in pictures.items():
        data = base64.b64encode(image).decode()
        shown = shown.replace(f"cid:{cid}", f"data:image/png;base64,{data}")
    texts = {"letter": shown, "blocked": blocked}
    texts["page"] = digest(many(tables, 3), farm.WEEK_IN_SEASON)[2]
    texts["harvest"] = digest(tables, farm.WEEK_OF_HARVEST)[2]
    for name, text in texts.items():
        (where / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: where / f"{name}.html" for name in texts}


def opened(browser: Browser, path: Path, width: int, scheme: str = "light") -> Page:
    tab = browser.new_page(viewport={"width": width, "height": 740}, color_scheme=scheme)  # type: ignore[arg-type]
    tab.goto(path.as_uri())
    return tab


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", ["letter", "blocked", "page", "harvest"])
def test_nothing_runs_over_at_any_width(browser, pages, name, width):
    tab = opened(browser, pages[name], width)
    try:
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        wide = "[...document.querySelectorAll('.wide')].filter(e => e.scrollWidth > e.clientWidth)"
        least = 360 if name != "harvest" else 600  # yields have ten columns: they scroll in place
        if width >= least:
            assert tab.evaluate(f"{wide}.map(e => e.innerText.slice(0, 40))") == []
    finally:
        tab.close()


def test_fields_are_blocks_on_a_phone_and_a_table_on_a_desk(browser, pages):
    seen = {}
    for width in (360, 1280):
        tab = opened(browser, pages["letter"], width)
        heads = tab.locator(".records thead")
        names = tab.locator(".records .head")
        seen[width] = (heads.is_visible(), names.first.is_visible())
        tab.close()
    assert seen == {360: (False, True), 1280: (True, False)}


def test_blocked_pictures_leave_their_findings(browser, pages):
    tab = opened(browser, pages["blocked"], 360)
    alts = tab.evaluate("[...document.images].map(i => [i.naturalWidth, i.alt])")
    assert alts
    for natural, alt in alts:
        assert natural == 0
        assert len(alt) > 30
    assert re.match(r"Rain since seeding: \d+% to \d+% of normal\. ", alts[0][1])
    tab.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["letter", "page", "harvest"])
def test_it_is_readable_in_the_dark_and_passes_the_accessibility_check(
    browser, pages, name, scheme
):
    tab = opened(browser, pages[name], 360, scheme)
    try:
        back = tab.evaluate("getComputedStyle(document.body).backgroundColor")
        ground = luminance(back)
        assert (ground < 0.05) is (scheme == "dark")
        colors = tab.evaluate(
            "[...document.querySelectorAll('h1, h2, p, td, th, caption, small, .head')]"
            ".map(e => getComputedStyle(e).color)"
        )
        assert len(colors) > 10
        for color in set(colors):
            pair = sorted((luminance(color), ground))
            assert (pair[1] + 0.05) / (pair[0] + 0.05) >= CONTRAST, color
        found = Axe().run(tab)
        assert found.violations_count == 0, found.generate_report()
    finally:
        tab.close()


def luminance(color: str) -> float:
    """Relative luminance of a CSS color, as WCAG 2.2 defines it."""
    parts = [int(n) / 255 for n in re.findall(r"\d+", color)[:3]]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
