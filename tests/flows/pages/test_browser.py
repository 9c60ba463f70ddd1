"""The pages in a real Chromium: at phone, laptop and print size, for accessibility, off the network."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from flows.pages import render
from flows.pages.digest import make
from flows.pages.report import write
from flows.pages.week import Week
from tests.flows.pages import farm
from tests.flows.pages.test_digest import MADE_ON
from tests.flows.pages.test_report import report

SIZES = {"phone": (390, 844), "laptop": (1366, 768)}
# Height inside the page's margins of 15 mm, in CSS pixels.
PAPER = {"A4": (297 - 30) / 25.4 * 96, "Letter": (279.4 - 30) / 25.4 * 96}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)  # fmt: skip
    if path is None:
        if os.environ.get("CHECKSTRIP_TEST_CHROMIUM") == "must":
            pytest.fail("Chromium must be here (CHECKSTRIP_TEST_CHROMIUM=must) but is not found")
        pytest.skip("no Chromium on this computer: the pages were not looked at in a browser")
    with sync_playwright() as play:
        found = play.chromium.launch(
            executable_path=path,
            headless=True,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield found
        found.close()


@pytest.fixture(scope="module")
def pages(tables, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    where = tmp_path_factory.mktemp("pages-html")
    show = tables.show()
    digest = make.digest(tables, Week.named(farm.WEEK_IN_SEASON), show, MADE_ON)
    out = {
        "digest": render.html(digest, show, render.data_uri, "digest.html"),
        "report": report(tables)[1],
    }
    paths = {}
    for name, html in out.items():
        paths[name] = where / f"{name}.html"
        paths[name].write_text(html, encoding="utf-8")
    return paths


def opened(browser: Browser, path: Path, size: str) -> tuple[Page, list[str], list[str]]:
    """The page, what it asked for beyond itself, and what it complained of."""
    width, height = SIZES[size]
    tab = browser.new_page(viewport={"width": width, "height": height})
    asked: list[str] = []
    faults: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("console", lambda message: faults.append(message.text))
    tab.on("pageerror", lambda error: faults.append(str(error)))
    tab.goto(path.as_uri())
    outside = [url for url in asked if not url.startswith("data:") and url != path.as_uri()]
    return tab, outside, faults


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
            "[...document.images].map(i => [i.complete, i.naturalWidth, i.getBoundingClientRect().right, i.alt])"
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
    broken = tmp_path / "broken.html"
    html = pages["report"].read_text(encoding="utf-8")
    broken.write_text(re.sub(r' alt="[^"]*"', "", html, count=1), encoding="utf-8")
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
    path = tmp_path / "all.html"
    show = tables.show()
    made = write.report(tables, None, show, MADE_ON)
    path.write_text(render.html(made, show, render.data_uri, "report.html"), encoding="utf-8")
    tab, outside, _ = opened(browser, path, "phone")
    assert outside == []
    targets = tab.evaluate(
        "[...document.querySelectorAll('nav a')].map(a => !!document.querySelector(a.getAttribute('href')))"
    )
    assert targets
    assert all(targets)
    tab.close()
