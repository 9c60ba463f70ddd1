"""The pages in a real Chromium: at phone, laptop and print size, for accessibility, off the network."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.flows.browser import SIZES, opened
from tests.flows.pages import farm
from tests.flows.pages.page_text import digest, report

# Height inside the page's margins of 15 mm, in CSS pixels.
PAPER = {"A4": (297 - 30) / 25.4 * 96, "Letter": (279.4 - 30) / 25.4 * 96}


@pytest.fixture(scope="module")
def pages(tables, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    where = tmp_path_factory.mktemp("pages-html")
    html = {"digest": digest(tables, farm.WEEK_IN_SEASON)[2], "report": report(tables)[1]}
    return {name: saved(where, name, text) for name, text in html.items()}


def saved(where: Path, name: str, html: str) -> Path:
    path = where / f"{name}.html"
    path.write_text(html, encoding="utf-8")
    return path


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["digest", "report"])
def test_it_fits_loads_nothing_and_passes_the_accessibility_check(browser, pages, name, size):
    tab, outside, faults = opened(browser, pages[name], size)
    try:
        assert outside == []
        assert faults == []
        wide = tab.evaluate("document.documentElement.scrollWidth")
        assert wide <= SIZES[size][0], "nobody should have to scroll sideways"
        images = tab.evaluate(
            "[...document.images].map("
            "i => [i.complete, i.naturalWidth, i.getBoundingClientRect().right, i.alt])"
        )
        assert images
        for complete, natural, right, alt in images:
            assert complete
            assert natural > 100
            assert right <= SIZES[size][0]
            assert len(alt) > 20
        found = Axe().run(tab)
        assert found.violations_count == 0, found.generate_report()
    finally:
        tab.close()


def test_the_accessibility_check_can_fail(browser, pages, tmp_path):
    html = pages["report"].read_text(encoding="utf-8")
    broken = saved(tmp_path, "broken", re.sub(r' alt="[^"]*"', "", html, count=1))
    tab, _, _ = opened(browser, broken, "laptop")
    assert "image-alt" in Axe().run(tab).generate_report()
    tab.close()


@pytest.mark.parametrize("paper", PAPER)
def test_it_prints_without_cut_pictures(browser, pages, paper, tmp_path):
    tab, _, _ = opened(browser, pages["report"], "laptop")
    tab.emulate_media(media="print")
    heights = tab.evaluate("[...document.querySelectorAll('figure')].map(f => f.offsetHeight)")
    rules = tab.evaluate(
        "[...document.querySelectorAll('figure, tr')].map(e => getComputedStyle(e).breakInside)"
    )
    assert heights
    assert max(heights) < PAPER[paper] / 2, "two pictures a page"
    assert set(rules) == {"avoid"}
    assert tab.evaluate("getComputedStyle(document.querySelector('nav')).display") == "none"
    content = tab.pdf(path=tmp_path / "report.pdf", format=paper)
    sheets = len(re.findall(rb"/Type\s*/Page\b", content))
    assert 3 <= sheets <= 12
    tab.close()


def test_a_page_of_all_years_has_links_that_lead_somewhere(browser, tables, tmp_path):
    path = saved(tmp_path, "all", report(tables, None)[1])
    tab, outside, _ = opened(browser, path, "phone")
    assert outside == []
    targets = tab.evaluate(
        "[...document.querySelectorAll('nav a')].map("
        "a => !!document.querySelector(a.getAttribute('href')))"
    )
    assert targets
    assert all(targets)
    tab.close()
