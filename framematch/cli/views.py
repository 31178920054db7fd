"""Commands: views."""

from __future__ import annotations

import typer


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
