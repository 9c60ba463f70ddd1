"""The pages in a real Chromium: at phone, laptop and print size, for accessibility, off the network."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.flows.browser import SIZES, opened
from tests.flows.pages import farm
from tests.flows.pages.page_text import digest, one_page, report

PAPER = ("A4", "Letter")


@pytest.fixture(scope="module")
def pages(tables, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    where = tmp_path_factory.mktemp("pages-html")
    html = {"digest": digest(tables, farm.WEEK_IN_SEASON)[2], "report": report(tables)[1]}
    html["brief"] = one_page(tables)[1]
    return {name: saved(where, name, text) for name, text in html.items()}


def saved(where: Path, name: str, html: str) -> Path:
    path = where / f"{name}.html"
    path.write_text(html, encoding="utf-8")
    return path


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["digest", "report", "brief"])
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


# Marks at both ends of each block that must stay on one page: they take no room, and a PDF has them as text.
MARK = """() => document.querySelectorAll('figure, tr').forEach((block, number) => {
  const host = block.tagName === 'TR' ? [block.cells[0], block.cells[block.cells.length - 1]] : [block, block];
  host.forEach((it, end) => {
    const mark = document.createElement('span');
    mark.textContent = `[${block.tagName}${number}${end ? 'B' : 'A'}]`;
    mark.style.cssText = 'position:absolute;font-size:1px;line-height:1px;' + (end ? 'bottom:0' : 'top:0');
    it.style.position = 'relative';
    it.append(mark);
  });
})"""


def printed(browser, path: Path, paper: str, where: Path) -> pdfium.PdfDocument:
    """The page as a PDF of this paper, each block's ends marked."""
    tab, _, _ = opened(browser, path, "laptop")
    tab.evaluate(MARK)
    content = tab.pdf(path=where / "printed.pdf", format=paper, prefer_css_page_size=False)
    tab.close()
    return pdfium.PdfDocument(content)


def split_blocks(pdf: pdfium.PdfDocument) -> set[str]:
    """Pictures and rows of a table that begin on one page and end on another."""
    pages = [page.get_textpage().get_text_bounded() for page in pdf]
    at: dict[str, set[int]] = {}
    ends: dict[str, set[str]] = {}
    for number, text in enumerate(pages):
        for block, end in re.findall(r"\[((?:FIGURE|TR)\d+)([AB])\]", text):
            at.setdefault(block, set()).add(number)
            ends.setdefault(block, set()).add(end)
    assert at
    assert all(found == {"A", "B"} for found in ends.values())
    # The heading of a table is repeated on its next page, which is no split.
    return {
        block for block, numbers in at.items() if len(numbers) > 1 and block not in heads(pages)
    }


def heads(pages: list[str]) -> set[str]:
    """Rows printed whole on each page that they are on."""
    whole = [
        {block for block in re.findall(r"\[(TR\d+)A\]", text) if f"[{block}B]" in text}
        for text in pages
    ]
    found = [set(re.findall(r"\[(TR\d+)[AB]\]", text)) for text in pages]
    every = set().union(*found)
    return {b for b in every if all(b in w for w, f in zip(whole, found, strict=True) if b in f)}


def filled(pdf: pdfium.PdfDocument) -> list[float]:
    """How far down each page is printed, as a share of its height."""
    out = []
    for page in pdf:
        ink = np.flatnonzero((page.render(scale=0.5).to_numpy() < 200).any(axis=(1, 2)))
        out.append(float(ink.max(initial=0)) / (0.5 * page.get_height()))
    return out


@pytest.fixture(scope="module")
def four_fields(tables, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    where = tmp_path_factory.mktemp("four-fields")
    many = tables.with_many(fields=4, seasons=5)
    return {name: saved(where, name, report(many, year)[1]) for name, year in YEARS.items()}


YEARS = {"season": 2024, "all": None}


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("name", YEARS)
def test_four_fields_print_on_ten_pages_none_split_or_half_empty(
    browser, four_fields, paper, name, tmp_path
):
    pdf = printed(browser, four_fields[name], paper, tmp_path)
    assert 6 <= len(pdf) <= 10
    assert split_blocks(pdf) == set()
    assert min(filled(pdf)[:-1]) > 0.5
    titles = [page.get_textpage().get_text_bounded().splitlines()[0] for page in pdf]
    for number in range(1, 5):
        assert titles[number].startswith(f"Home {number} 2024"), "one page a field"
    assert not titles[5].startswith("Home")


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("fields", [1, 4, 12])
def test_the_page_to_hand_on_is_one_page(browser, tables, paper, fields, tmp_path):
    many = tables.with_many(fields=fields, seasons=3 if fields > 1 else 1)
    path = saved(tmp_path, "brief", one_page(many)[1])
    pdf = printed(browser, path, paper, tmp_path)
    assert len(pdf) == 1
    assert filled(pdf)[0] > 0.4


def test_a_split_picture_and_a_half_empty_page_would_be_found(browser, four_fields, tmp_path):
    html = four_fields["season"].read_text(encoding="utf-8")
    bad = html.replace("break-inside: avoid", "break-inside: auto")
    bad = bad.replace("</style>", "figure { height: 700mm; } h2 { break-before: page; }</style>")
    pdf = printed(browser, saved(tmp_path, "bad", bad), "A4", tmp_path)
    assert any(block.startswith("FIGURE") for block in split_blocks(pdf))
    assert min(filled(pdf)[:-1]) < 0.5


def test_the_phone_shows_a_field_as_a_block_of_named_values(browser, four_fields):
    for width in (320, 360):
        tab, _, _ = opened(browser, four_fields["all"], "phone")
        tab.set_viewport_size({"width": width, "height": 800})
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        cell = "document.querySelector('.records td:nth-child(3)')"
        assert tab.evaluate(f"getComputedStyle({cell}).display") == "block"
        assert tab.evaluate(f"{cell}.innerText").startswith("Net since the work: ")
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
