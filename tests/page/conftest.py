"""The page with the demo area and a folder of ride files of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from page_browser import HOST, Browser, said

from routeplan.page.app import App
from routeplan.page.areas import Shelf
from routeplan.page.guard import Guard
from routeplan.page.rides import Rides
from routeplan.page.searches import Searches


@pytest.fixture
def make_browser(tmp_path: Path, demo_area: Any) -> Callable[..., Browser]:
    def make(searches: Searches | None = None, area: Path | None = None) -> Browser:
        guard = Guard([HOST, "localhost:8000"])
        browser = Browser(App(guard, Shelf(area, tmp_path), Rides(tmp_path), searches or Searches()), tmp_path)
        browser.enter()
        return browser

    return make


@pytest.fixture
def browser(make_browser: Callable[..., Browser]) -> Browser:
    return make_browser()


@pytest.fixture
def evening(browser: Browser) -> dict[str, Any]:
    """The demo's net evening as the page holds it."""
    return said(browser.get("/api/ride", demo=1))["ride"]
