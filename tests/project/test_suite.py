"""How the suite is built: tests share by tests/helpers alone."""

from __future__ import annotations

import ast
from pathlib import Path

TESTS = Path(__file__).parents[1]


def test_no_test_file_imports_another() -> None:
    """Nor a conftest: of two with one name, the one that is read last would be meant."""
    names = {path.stem for path in TESTS.glob("*/test_*.py")} | {"conftest"}
    for path in TESTS.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            imported = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module] if isinstance(node, ast.ImportFrom) else []
            assert not names & set(imported), f"{path.relative_to(TESTS)} imports {imported}: move what they share into helpers/"


def test_helpers_have_names_of_their_own() -> None:
    """They are imported by bare name, as packages and test files are."""
    helpers = {path.stem for path in TESTS.glob("helpers/*.py")}
    assert not helpers & {path.stem for path in TESTS.glob("*/test_*.py")}
