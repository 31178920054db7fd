"""The contributor's guide's lists of places, walked: a dummy of each kind is added in a copy of the package by exactly those
files, and must then be found everywhere that people would look for it."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]

LENS = """Central(
            name="dummy", words="a dummy", radius_of=lambda t, _: 1.25 * np.sin(t / 1.25), slope_of=lambda t, _: np.cos(t / 1.25),
            angle_of=lambda r: 1.25 * np.arcsin(np.minimum(r / 1.25, 1)), end_of=lambda _: 1.25 * RIGHT_ANGLE, end_included=True,
            series=tuple(c / 1.25 ** (2 * i) for i, c in enumerate((-1 / 6, 1 / 120, -1 / 5040, 1 / 362880), 1)),
            examples={"squeezed": Example(5.0, squeeze=1.5)},
        ),
        """
SCENE = '''"""A dummy."""
from framematch.scene.opening import wall_with_gap
from framematch.scene.registry import place
from framematch.shot.opening import Opening


@place("dummy", "A dummy of a wall with nothing else", opening=Opening(width_m=1.3, height_m=0.9, sill_m=0.9, thickness_m=0.3))
def dummy(gap):
    import shapely

    yield from wall_with_gap(gap, shapely.box(-4, 0, 4, 4), material="brick")
'''
SHEET = '''"""A dummy."""
from framematch.output.pdf import document, paper_mm


def write_dummy(path):
    with document(path, title="Dummy") as doc, doc.page(paper_mm("A4")) as page:
        page.text(20, 30, "the dummy sheet", size_pt=12)
'''
COMMAND = '''

def dummy(out: Annotated[Path, typer.Option(help="PDF to write.", metavar="FILE")]) -> None:
    """Print the dummy sheet."""
    from framematch.output.dummy_sheet import write_dummy

    write_dummy(out)
'''
ASK = """

def _dummy(pairing, colours, pulse):
    from framematch.output.dummy_sheet import write_dummy

    return Job(key=("dummy",), make=lambda: made(write_dummy, "dummy.pdf"), file_name="dummy.pdf", button="Dummy (PDF)", button_key="print:dummy")


"""


def listed(kind: str) -> set[str]:
    """The files of the package that the guide names for adding one of a kind."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(rf"^### {kind}\n(.*?)(?=^##|\Z)", guide, re.M | re.S)
    assert section, f"DEVELOPERS.md has no list for {kind}"
    return set(re.findall(r"^\d\. `(framematch/[^`]+)`", section[1], re.M))


class Copy:
    """A copy of the package, and which of its files were changed or added."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.touched = folder, set[str]()
        for name in ("framematch", "tests"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "data", "benchmarks"))
        shutil.copy(ROOT / "pyproject.toml", folder)

    def new(self, file: str, text: str) -> None:
        (self.folder / file).write_text(text, encoding="utf-8")
        self.touched.add(file)

    def before(self, file: str, find: Callable[[ast.Module], ast.expr | ast.stmt], text: str) -> None:
        """Put text before a part of a file, found by what it is and not by how it is laid out."""
        source = (self.folder / file).read_bytes()
        node = find(ast.parse(source))
        at = sum(map(len, source.splitlines(keepends=True)[: node.lineno - 1])) + node.col_offset
        self.new(file, (source[:at] + text.encode() + source[at:]).decode())

    def run(self, *command: str) -> str:
        done = subprocess.run(
            [sys.executable, *command], cwd=self.folder, capture_output=True, text=True, timeout=300, env={**os.environ, "PYTHONPATH": str(self.folder)}
        )
        assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
        return done.stdout


def assignment(tree: ast.Module, name: str) -> Any:
    """Where a module assigns to a name."""
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        if any(isinstance(t, ast.Name) and t.id == name for t in targets):
            return node
    raise AssertionError(name)


def value_of(tree: ast.Module, name: str) -> Any:
    return assignment(tree, name).value


def inside(tree: ast.Module, function: str) -> Iterator[ast.AST]:
    return ast.walk(next(n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == function))


def frame_row(tree: ast.Module, number: int) -> ast.expr:
    """The last cell of a row of the first table (0) or of its headings (1)."""
    rows = [n for n in inside(tree, "_frame") if isinstance(n, ast.Tuple) and len(n.elts) > 3]
    assert len(rows) == 2
    return sorted(rows, key=lambda n: n.lineno)[number].elts[-1]


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Copy:
    made = Copy(tmp_path_factory.mktemp("copy"))
    places: dict[str, set[str]] = {}

    def done(kind: str) -> None:
        places[kind], made.touched = made.touched, set()

    made.before("framematch/geometry/lens_models.py", lambda t: value_of(t, "MODELS").generators[0].iter.elts[0], LENS)
    done("A lens model")

    made.new("framematch/scene/places/dummy.py", SCENE)
    made.before("framematch/scene/places/__init__.py", lambda t: value_of(t, "FILES").elts[-1], '"dummy", ')
    done("A scene")

    made.new("framematch/output/dummy_sheet.py", SHEET)
    command = "framematch/cli/paper.py"
    made.before(command, lambda t: next(n for n in inside(t, "register") if isinstance(n, ast.FunctionDef)).body[-1], 'app.command("dummy")(dummy)\n    ')
    made.new(command, (made.folder / command).read_text(encoding="utf-8") + COMMAND)
    made.before("framematch/cli/__init__.py", lambda t: next(n for n in ast.walk(value_of(t, "TASKS")) if ast.unparse(n) == "'sheet'"), '"dummy", ')
    kinds = "framematch/page/areas/print.py"
    made.before(kinds, lambda t: value_of(t, "KINDS").keys[0], '"Dummy": Kind(about="A dummy.", ask=_dummy),\n    ')
    made.before(kinds, lambda t: assignment(t, "KINDS"), ASK.lstrip())
    done("A sheet")

    report = "framematch/compare/report.py"
    made.before(report, lambda t: frame_row(t, 1), '"dummy column", ')
    made.before(report, lambda t: frame_row(t, 0), '"dummy cell", ')
    made.before(report, lambda t: next(n.value for n in inside(t, "_row") if isinstance(n, ast.Return)).keys[0], '"dummy_figure": 1.5, ')
    made.before(report, lambda t: next(n for n in inside(t, "comparison_csv") if isinstance(n, ast.Dict)).keys[1], '"dummy_figure": 1.5, ')
    done("A column of the lens table")

    for kind, touched in places.items():
        assert touched == {place.replace("NAME", "dummy") for place in listed(kind)}, kind
    return made


SEEN = """
import json
import os
from pathlib import Path

from framematch.compare import compare
from framematch.compare.report import comparison_csv, comparison_json, text_tables
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_lens, parse_shot
from framematch.files.starter import STARTER, STARTER_PLAN, starter_day
from framematch.guide.report import guide_report, report_json
from framematch.output.lens_sheet import drawn_view, write_sheet
from framematch.output.opencv_yaml import opencv_camera
from framematch.page.areas.pairing import PROJECTIONS
from framematch.page.areas.print import KINDS
from framematch.scene.registry import make_scene, places

def refused(text):
    try:
        parse_pairing(text)
    except InputError as error:
        return str(error)

told = STARTER.replace('projection = "equidistant"', 'projection = "dummy"')
pairing = parse_pairing(told)
shot = parse_shot(pairing, STARTER_PLAN)
found = compare(pairing, shot, (parse_lens(pairing, 'focal_mm = 12.0\\nprojection = "dummy"'),))
write_sheet(Path("lenses.pdf"), found, view=drawn_view)
job = KINDS["Dummy"].ask(pairing, None, None)
Path("page.pdf").write_bytes(job.pdf())
print(json.dumps({
    "projection": pairing.monitoring.lens.projection,
    "quoted angle": pairing.monitoring.angles().horizontal,
    "guide": report_json(guide_report(pairing))["guide"]["outline_worst_error_percent"],
    "starter": STARTER,
    "refused": refused(told.replace('"dummy"', '"dumy"')),
    "page": PROJECTIONS["dummy"],
    "candidate": found.rows[0].candidate.lens.projection,
    "opencv miss px": opencv_camera(pairing.monitoring).miss_px,
    "places": list(places()),
    "opening": make_scene("dummy").opening.width_m,
    "day": starter_day("rig.toml"),
    "tables": [(table.headings, table.rows[0]) for table in text_tables(found)],
    "csv": comparison_csv(found),
    "json": comparison_json(found)["lenses"][0],
}))
"""


@pytest.fixture(scope="module")
def seen(copy: Copy) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(copy.run("-c", SEEN).splitlines()[-1])
    return found


def pdf_text(path: Path) -> str:
    from pypdf import PdfReader

    return "\n".join(page.extract_text() for page in PdfReader(path).pages)


@pytest.mark.at_length
def test_a_lens_model_is_known_to_files_page_table_and_opencv(seen: dict[str, Any]) -> None:
    assert seen["projection"] == seen["candidate"] == "dummy"
    assert seen["quoted angle"] == pytest.approx(118.0)
    assert seen["guide"] > 0
    assert "dummy, rectilinear" in seen["starter"] and "'dummy'" in seen["refused"]
    assert seen["page"] == "dummy: a dummy"
    assert 0 < seen["opencv miss px"] < 1  # by no model of OpenCV's exactly, so fitted


def test_the_battery_runs_over_a_lens_model_by_itself(copy: Copy) -> None:
    told = copy.run("-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/geometry/test_lens.py", "-k", "dummy and squeezed")
    passed = re.search(r"(\d+) passed", told)
    dots = sum(line.count(".") for line in told.splitlines() if set(line) <= set(". [%]0123456789"))
    assert int(passed[1]) if passed else dots > 15, told


@pytest.mark.at_length
def test_a_scene_is_listed_built_and_offered(copy: Copy, seen: dict[str, Any]) -> None:
    assert "dummy" in seen["places"] and seen["opening"] == 1.3
    assert "dummy" in next(line for line in seen["day"].splitlines() if line.startswith("scene"))
    assert "dummy" in copy.run("-m", "framematch", "view", "--help")


def test_a_sheet_is_a_command_and_can_be_printed_from_the_page(copy: Copy, seen: dict[str, Any]) -> None:
    assert "Print the dummy sheet" in copy.run("-m", "framematch", "--help")
    copy.run("-m", "framematch", "dummy", "--out", "dummy.pdf")
    assert "the dummy sheet" in pdf_text(copy.folder / "dummy.pdf")
    assert "the dummy sheet" in pdf_text(copy.folder / "page.pdf")


def test_a_column_is_on_screen_on_paper_and_in_both_files(copy: Copy, seen: dict[str, Any]) -> None:
    headings, row = seen["tables"][0]
    assert row[headings.index("dummy column")] == "dummy cell"
    assert "dummy column" in pdf_text(copy.folder / "lenses.pdf").replace("\n", " ")
    head, line = seen["csv"].splitlines()[:2]
    assert line.split(",")[head.split(",").index("dummy_figure")] == "1.5"
    assert seen["json"]["dummy_figure"] == 1.5
