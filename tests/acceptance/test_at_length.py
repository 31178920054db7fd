"""Every test file of the suite that takes a sample or leaves tests out, run with everything; what is slow anyhow has files of its own beside this one."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
SAMPLED = [
    str(file.relative_to(ROOT))
    for file in sorted(ROOT.glob("tests/*/test_*.py"))
    if file.parent != HERE and re.search(r"^\s*from (at_length|fuzzing) import|pytest\.mark\.at_length", file.read_text(encoding="utf-8"), re.M)
]


@pytest.mark.parametrize("file", SAMPLED)
def test_a_sampled_file_passes_at_full_length(file: str) -> None:
    environment = {**os.environ, "FRAMEMATCH_AT_LENGTH": "1"}
    done = subprocess.run([sys.executable, "-m", "pytest", "-p", "no:cacheprovider", file], cwd=ROOT, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-4000:]
