"""The README's examples are run, output and all."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def stripped(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip().splitlines()]


def test_the_command_prints_what_the_readme_shows(tmp_path):
    command, shown = re.search(r"<!-- example: framematch (.*?) -->\n```\n(.*?)\n```", README, re.S).groups()
    pairing = command.split()[1]
    arguments = [str(ROOT / pairing) if part == pairing else part for part in command.split()]
    done = subprocess.run([sys.executable, "-m", "framematch", *arguments], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert stripped(done.stdout) == stripped(shown)


def test_the_python_example_prints_what_the_readme_shows():
    code, shown = re.search(r"<!-- example: python -->\n```python\n(.*?)```\n\n```\n(.*?)```", README, re.S).groups()
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert stripped(done.stdout) == stripped(shown)


def test_the_starter_and_the_example_are_one():
    from framematch.files.starter import STARTER

    assert (ROOT / "assets/examples/glasshouse.toml").read_text(encoding="utf-8") == STARTER
