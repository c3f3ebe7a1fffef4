"""What the tests of pages share: a real browser.

It is Chromium: ``DRYDIVE_CHROMIUM``, or what is on the path.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = os.environ.get("DRYDIVE_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "these tests need Chromium: set DRYDIVE_CHROMIUM to its path"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield started
        started.close()
