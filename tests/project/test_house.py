"""The house as drawn in DEVELOPERS.md, held against the imports in the code."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest

import framematch

ROOT = Path(__file__).parents[2]
CODE = ROOT / "framematch"
#: What only some commands need: imported inside the functions that use it. The page is Streamlit's own.
HEAVY = {
    "OpenEXR", "OpenGL", "arabic_reshaper", "av", "bidi", "cv2", "distributed", "embreex", "fdl", "joblib", "matplotlib", "pxr", "pypdf", "pypdfium2",
    "pyrender", "segno", "reportlab", "rich", "skimage", "streamlit", "tifffile", "tomlkit", "trimesh",
}  # fmt: skip


def _drawing() -> list[tuple[list[str], list[str]]]:
    """Rooms on the left and on the right of each row, the top row first."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.search(r"^knows no file.*?\n-+\+.*?\n(.*?)^```", text, re.M | re.S)
    assert rows, "DEVELOPERS.md has no drawing of the house"
    parts = [row.split("|") for row in rows[1].splitlines()]
    return [(left.split(), right.split()) for left, right, _ in parts]


@cache
def _modules() -> dict[str, Path]:
    return {".".join(p.relative_to(CODE).with_suffix("").parts).removesuffix("__init__").rstrip("."): p for p in CODE.rglob("*.py")}


def _room(module: str) -> str:
    first = module.partition(".")[0]
    return f"{first}/" if first and (CODE / first).is_dir() else first


def _imported(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module:
        return [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
    return []


def _own(nodes: Iterable[ast.AST]) -> set[str]:
    """Modules of ours that some nodes import."""
    found = {name.removeprefix("framematch.") for node in nodes for name in _imported(node) if name.startswith("framematch.")}
    return found & _modules().keys()


ROOMS = sorted({_room(m) for m in _modules()} - {"", "__main__"})


def test_every_room_is_drawn_once() -> None:
    drawn = [room for row in _drawing() for side in row for room in side]
    assert sorted(drawn) == ROOMS


@pytest.mark.parametrize("room", ROOMS)
def test_arrows_run_downwards_and_geometry_knows_no_file(room: str) -> None:
    rows = _drawing()
    height = {r: -i for i, row in enumerate(rows) for side in row for r in side}
    left = {r for row in rows for r in row[0]}
    for module, path in _modules().items():
        if module and _room(module) == room:
            everywhere = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            for other in {_room(name) for name in _own(everywhere)} - {room}:
                assert height[other] < height[room], f"{module} imports {other}, which is not below it"
                assert room not in left or other in left, f"{module} knows no file and imports {other}"


def test_no_room_imports_itself_in_a_ring() -> None:
    """Imports inside functions count: they only put off the moment at which a ring shows."""
    arrows = {module: _own(ast.walk(ast.parse(path.read_text(encoding="utf-8")))) for module, path in _modules().items()}
    while arrows:
        ends = [m for m, to in arrows.items() if not to & arrows.keys() - {m}]
        assert ends, f"a ring among {sorted(arrows)}"
        for module in ends:
            del arrows[module]


@pytest.mark.parametrize("room", ROOMS)
def test_heavy_packages_are_imported_where_they_are_used(room: str) -> None:
    for module, path in _modules().items():
        if module and _room(module) == room:
            top = {name.partition(".")[0] for node in ast.parse(path.read_text(encoding="utf-8")).body for name in _imported(node)}
            assert not top & HEAVY - ({"streamlit"} if room == "page/" else set()), module


@pytest.mark.parametrize("name", framematch.__all__)
def test_public_names_say_what_each_argument_is(name: str) -> None:
    thing = getattr(framematch, name)
    text = inspect.getdoc(thing) or ""
    arguments = [n for n in inspect.signature(thing).parameters if not n.startswith("_")]
    unsaid = [n for n in arguments if not re.search(rf"\b{n}\b", text)]
    assert not unsaid, f"{name}: {unsaid}"


def test_public_names_are_listed_in_the_package() -> None:
    assert framematch.__doc__ and not [name for name in framematch.__all__ if name not in framematch.__doc__]
