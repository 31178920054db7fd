"""The page as it is installed: the wheel alone, outside the source tree, started in an empty folder."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile

import pytest
from browser import ROOT, SHARP, opened, served


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """What an installer would unpack."""
    folder = tmp_path_factory.mktemp("wheel")
    made = subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert made.returncode == 0, made.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def test_the_wheel_holds_every_module_and_nothing_else(installed):
    def modules(root):
        return {str(path.relative_to(root)) for path in (root / "framematch").rglob("*") if path.is_file() and "__pycache__" not in path.parts}

    assert modules(installed) == modules(ROOT)
    assert {path.name for path in installed.iterdir()} == {"framematch", "framematch-0.1.0.dist-info"}


RUN = """
import sys
from pathlib import Path
import framematch
from streamlit.testing.v1 import AppTest
home = Path(framematch.__file__).parent
app = AppTest.from_file(str(home / "page" / "script.py"), default_timeout=100).run()
assert not app.exception, app.exception
print(home, "Type into the goggles" in " ".join(h.proto.body for h in app.get("html")))
"""


def test_the_page_is_whole_in_the_wheel(installed, tmp_path):
    """Its script runs in a folder of its own, its modules and the browser's read from the wheel alone; a browser opens it in an acceptance run."""
    done = subprocess.run(
        [sys.executable, "-c", RUN], cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(installed)}, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0 and done.stdout.split() == [str(installed / "framematch"), "True"], done.stdout + done.stderr


@pytest.mark.at_length
def test_the_page_runs_from_the_wheel(installed, where):
    """Both pictures, the overlay to download, and no word from the source tree."""
    with served(package=installed) as url:
        page = opened(where, url)
        assert page.locator("img.server").count() == 2
        sizes = page.locator("img.server").evaluate_all("all => all.map(i => [i.naturalWidth, i.naturalHeight])")
        assert [height for _, height in sizes] == [540, 540] and sizes[0][0] == 960
        with page.expect_download() as held:
            page.get_by_role("button", name="Overlay PNG", exact=True).click()
        assert held.value.path().read_bytes().startswith(b"\x89PNG")
        page.get_by_role("slider").nth(0).press("ArrowRight")
        page.get_by_role("img", name="What the recording camera's frame shows at 3.3 m.").wait_for()
        page.wait_for_selector(SHARP)
        assert page.left_machine == []
        files = subprocess.run(
            [sys.executable, "-c", "import framematch; print(framematch.__file__)"],
            cwd="/",
            env={"PYTHONPATH": str(installed)},
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert str(installed) in files.stdout
