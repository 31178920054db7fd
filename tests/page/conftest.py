"""One served page and one browser for all tests of the page in a process."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from browser import browser, served
from outside import need


@pytest.fixture(scope="session")
def url() -> Iterator[str]:
    with served() as address:
        yield address


@pytest.fixture(scope="session")
def where() -> Iterator[Any]:
    found = shutil.which("chromium")
    need(found is not None, "chromium")
    with browser(str(found)) as started:
        yield started
