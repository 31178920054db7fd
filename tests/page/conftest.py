"""One served page and one browser for all tests of the page in a process."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any
from unittest.mock import patch

import pytest
from browser import browser, served
from outside import need


@pytest.fixture(scope="session", autouse=True)
def no_components_of_other_packages() -> Iterator[None]:
    """Streamlit's tester reads every installed package's files for components at each start; the page brings its own and needs none of them."""
    with patch("streamlit.components.v2.manifest_scanner.scan_component_manifests", lambda: []):
        yield


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
