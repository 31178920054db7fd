"""One word for one thing: what people read uses the trade's words, never those that were retired."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

CODE = Path(__file__).parents[2] / "framematch"
#: Retired, and what stands for it.
RETIRED = {
    r"\b(is|are|too) (tight|loose)\b|\d % (tight|loose)\b": "inside, outside (the frame)",
    r"\bever recorded\b|\balways and (what is )?ever\b|^ever:|^always:": "always in shot, may be in shot",
    r"\bsharp (from|to|until)\b": "near limit, far limit",
    r"\bdeepest (stop|f)\b": "minimum aperture",
    r"\bsmears?\b": "motion blur",
    r"\bdark corners\b": "outside the image circle",
    r"\bon 135\b": "full-frame equivalent",
    r"\bdelivery shape\b": "delivery aspect ratio",
    r"^frame (in|out):": "import frame, export frame",
    r"\bouter estimate\b|\bsafety distance from\b": "ballistic estimate, not a safety distance",
    r"\bclear of the fall\b|\bbehind cover\b|\bcm clear\b": "outside the drawn area; margin by these figures",
    r"\bspotters?\b": "visual observer",
    r"\bmend\b": "correct",
    r"(?<!there )\bis no (?!nearer|worse|more\b|longer|less|other)\w": "is not a valid ...",
    r"\bFour Thirds\b|\bMFT\b": "4/3-inch type",
    r"\d:\d\d min\b": "3 min 49 s",
    r"\bneeds \[|\(aircraft, ": "plain words on a crew's card, no key of a file",
    r"\bleft over\b": "residuals",
    r"(?<!\.)\bprops\b(?!\])": "propellers",
    r"\bcards for the list\b": "media",
    r"^[^.]*licensed pilot\b": "licensed remote pilot",
}


def _shown(path: Path) -> Iterator[tuple[int, str]]:
    """Strings that read like words for people: no docstrings, no keys."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    described = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value.strip() and id(node) not in described:
            yield node.lineno, node.value


@cache
def shown() -> list[tuple[Path, int, str]]:
    return [(path, line, text) for path in sorted(CODE.rglob("*.py")) for line, text in _shown(path)]


@pytest.mark.parametrize(("retired", "now"), RETIRED.items(), ids=RETIRED.values())
def test_retired_words_are_shown_nowhere(retired: str, now: str) -> None:
    found = [f"{path.relative_to(CODE)}:{line}: {text[:90]!r}" for path, line, text in shown() if re.search(retired, text, re.IGNORECASE)]
    assert not found, f"say {now}: " + "\n".join(found)


def test_the_strings_are_really_read() -> None:
    assert len(shown()) > 1500
    assert any("may be in shot" in text for _, _, text in shown())
