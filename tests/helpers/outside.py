"""Outside help that may be missing on a machine: programs, data, optional packages."""

from __future__ import annotations

import os

import pytest


def need(present: bool, what: str) -> None:
    """Skip a test whose outside help is missing here; in CI that is a failure, never a skip."""
    if present:
        return
    if os.environ.get("CI"):
        pytest.fail(f"CI must have {what}")
    pytest.skip(f"needs {what}")
