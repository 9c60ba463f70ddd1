"""A real Chromium for tests of pages; the fixture ``browser`` starts it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

SIZES = {"phone": (390, 844), "laptop": (1366, 768)}


@contextmanager
def started() -> Iterator[Browser]:
    names = ("chromium", "chromium-browser", "google-chrome")
    path = next((found for name in names if (found := shutil.which(name))), None)
    if path is None:
        if os.environ.get("CHECKSTRIP_TEST_CHROMIUM") == "must":
            pytest.fail("Chromium must be here (CHECKSTRIP_TEST_CHROMIUM=must) but is not found")
        pytest.skip("no Chromium on this computer: the pages were not looked at in a browser")
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=path, headless=True, args=quiet)
        yield found
        found.close()


def opened(browser: Browser, path: Path, size: str) -> tuple[Page, list[str], list[str]]:
    """Open a page; return it, what it asked for beyond itself, and what it complained of."""
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
