"""Overlays and sheets for every pairing of a folder, over all cores, redoing only what changed.

For each pairing a folder of its own: overlays at each display size, the figures, its sheet, and last
of all a stamp that says what they were made from. A rerun trusts a stamp only if its files are there
with the sizes it names. Every file is written under ``.part`` and renamed into place, so that
whatever stops the run, what lies in the folder is whole; the next run clears ``.part``.

The work goes through joblib, on whichever backend the caller has chosen with ``joblib.parallel_config``.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import os
import shutil
import uuid
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from framematch import __version__
from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import shown_in
from framematch.spread import spread
from framematch.text.whole import alone_in, ensure_folder, read_text

PART, STAMP = ".part", "made.json"
MOST_PAIRINGS = 5000
_LAYOUT = 3  # raise it when what is drawn changes without a new version


@dataclass(frozen=True, kw_only=True)
class SetOptions:
    """What to make for each pairing.

    Args:
        sizes_px: displays to draw for; the pairing's own if there are none.
        parts: what an overlay shows.
        paper: of the sheets.
        sets: of lines, each with an overlay of its own.
        units: metric or imperial.
        display_mm, wall_m: further pages of each sheet, as in :func:`framematch.output.sheet.write_sheets`.
    """

    sizes_px: tuple[tuple[int, int], ...] = ()
    parts: tuple[str, ...] = ("outline", "rectangle", "centre", "label")
    paper: str = "A4"
    display_mm: tuple[float, float] | None = None
    wall_m: float | None = None
    sets: int = 1
    units: str = "metric"


@dataclass(frozen=True, kw_only=True)
class Made:
    """What came of one pairing file.

    Args:
        file: the pairing file's name.
        problem: why nothing was made, else empty.
        kept: whether it had been made before.
        rows: one per display size: figures for the index.
        pages: of its sheet.
        missing: characters that no font here has.
    """

    file: str
    title: str = ""
    problem: str = ""
    kept: bool = False
    rows: tuple[dict[str, Any], ...] = ()
    pages: int = 0
    missing: str = ""


def pairing_files(folder: Path) -> list[Path]:
    """The pairing files of a folder: every ``.toml`` but those that hold only a part to be used by others.

    Raises:
        InputError: no such folder, or too many or no pairing in it.
    """
    if not folder.is_dir():
        raise InputError("no such folder", file=str(folder), fix="name a folder of pairing files")
    found = sorted(p for p in folder.iterdir() if p.suffix.lower() == ".toml" and not p.name.startswith(".") and _is_pairing(p))
    if not found:
        raise InputError("holds no pairing file", file=str(folder), fix="put pairing files (.toml) into it")
    if len(found) > MOST_PAIRINGS:
        raise InputError(f"holds {len(found)} pairings", file=str(folder), fix=f"keep it to {MOST_PAIRINGS}")
    names: dict[str, str] = {}
    for path in found:
        other = names.setdefault(path.stem.lower(), path.name)
        if other != path.name:
            raise InputError(f"{other} and {path.name} would share an output folder", file=str(folder), fix="rename one of them")
    return found


def make_set(
    folder: Path,
    out: Path,
    options: SetOptions,
    *,
    kit: Path | None = None,
    jobs: int = -1,
    scheduler: str | None = None,
    progress: Callable[[Made, int], None] = lambda made, count: None,
) -> list[Made]:
    """Make or bring up to date everything for a folder of pairings.

    Args:
        kit: folder of shared cameras and mounts.
        jobs: how many at once, as joblib takes it; -1 for every core.
        scheduler: address of a Dask scheduler whose workers make them; they must see the same folders.
        progress: called after each pairing with what came of it and how many there are.

    Returns:
        One entry per pairing file, in the order of their names.

    Raises:
        InputError: the folders can't be used, or an option is wrong; a wrong pairing only shows in its entry.
    """
    _check(options)
    if jobs == 0 or not -1000 <= jobs <= 1000:
        raise InputError(f"{jobs} at once", field="jobs", fix="give a number such as 2, or -1 for every core")
    files = pairing_files(folder)
    ensure_folder(out)
    with alone_in(out):
        part = out / PART
        _clear(part)
        part.mkdir(exist_ok=True)
        made = []
        tasks = [(path, out, options, kit) for path in files]
        if scheduler is not None:  # whose workers may stand in another folder
            tasks = [(path.resolve(), out.resolve(), options, kit and kit.resolve()) for path in files]
        for each in spread(make_one, tasks, jobs=jobs, scheduler=scheduler, in_order=False):
            made.append(each)
            progress(each, len(files))
        made.sort(key=lambda each: each.file)
        _finish(out, made, options)
        _clear(part)
    return made


def _clear(part: Path) -> None:
    if part.is_dir() and not part.is_symlink():
        shutil.rmtree(part, ignore_errors=True)
    else:
        part.unlink(missing_ok=True)


def make_one(path: Path, out: Path, options: SetOptions, kit: Path | None) -> Made:
    """Everything for one pairing file, or nothing and the reason; runs in a worker."""
    shown = path.name.encode("utf-8", "replace").decode()
    if shown != path.name:
        return Made(file=shown, problem=f"{shown}: its name is not UTF-8 text. Rename it")
    try:
        with shown_in(options.units):
            return _make(path, out, options, kit)
    except InputError as error:
        return Made(file=path.name, problem=str(error))
    except Exception as error:  # one pairing that trips a fault must not cost the crew the others
        return Made(file=path.name, problem=f"{path}: unexpected fault: {type(error).__name__}: {error}".splitlines()[0])


def _make(path: Path, out: Path, options: SetOptions, kit: Path | None) -> Made:
    from framematch.files.pairing import read_pairing

    pairing = read_pairing(path, kit=kit)
    home = out / path.stem
    digest = hashlib.sha256(repr((__version__, _LAYOUT, pairing, options)).encode()).hexdigest()
    before = _stamped(home, digest)
    if before is not None:
        return replace(before, file=path.name, kept=True)
    return _make_afresh(path, out, home, options, pairing, digest)


def _make_afresh(path: Path, out: Path, home: Path, options: SetOptions, pairing: Pairing, digest: str) -> Made:
    from framematch.guide.report import guide_report
    from framematch.output.guide_drawing import guide_drawing
    from framematch.output.overlay import guide_json, overlays
    from framematch.output.raster import drawing_png
    from framematch.output.sheet import write_sheets
    from framematch.output.svg import drawing_svg

    part = out / PART
    ensure_folder(home)
    (home / STAMP).unlink(missing_ok=True)
    sizes: dict[str, int] = {}

    def put(name: str, content: bytes) -> None:
        _put(home / name, content, part)
        sizes[name] = len(content)

    rows, reports = [], []
    for size in options.sizes_px or (pairing.display.raster_px,):
        report = guide_report(replace(pairing, display=replace(pairing.display, raster_px=size)), sets=options.sets)
        reports.append(report)
        name = f"{size[0]}x{size[1]}"
        for stem, each in overlays(report):
            drawing, ending = guide_drawing(each, parts=options.parts), stem.removeprefix("overlay")
            put(f"overlay-{name}{ending}.png", drawing_png(drawing))
            put(f"overlay-{name}{ending}.svg", drawing_svg(drawing).encode())
        put(f"guide-{name}.json", guide_json(report).encode())
        rows.append(_row(path, home, report, name))
    sheet = part / f"{uuid.uuid4().hex}.pdf"
    pages, missing = write_sheets(sheet, reports[:1], paper=options.paper, display_mm=options.display_mm, wall_m=options.wall_m)
    sizes["sheet.pdf"] = sheet.stat().st_size
    os.replace(sheet, home / "sheet.pdf")
    made = Made(file=path.name, title=pairing.title, rows=tuple(rows), pages=pages, missing="".join(sorted(missing)))
    stamp = {"digest": digest, "files": sizes, "made": asdict(made)}
    stamp["seal"] = _seal(stamp)
    _put(home / STAMP, (json.dumps(stamp, indent=1, ensure_ascii=False) + "\n").encode(), part)
    return made


def _row(path: Path, home: Path, report: Any, name: str) -> dict[str, Any]:
    from framematch.guide.report import insets_px
    from framematch.guide.transfer import EDGES

    p, g = report.pairing, report.guide
    values = {
        "pairing": path.name,
        "title": p.title,
        "production": p.about.production,
        "unit": p.about.unit,
        "serials": ", ".join(f"{what} {number}" for what, number in p.about.serials),
        "notes": p.about.notes,
        "display_px": name,
        "near_m": p.near_m,
        "far_m": p.far_m,
        "set_distance_m": g.set_distance_m,
        **{f"inset_{edge}_px": inset for edge, inset in zip(EDGES, insets_px(g.rectangle, p.display.raster_px), strict=True)},
        "rectangle_worst_error_percent": g.rectangle_worst_error_percent,
        "outline_worst_error_percent": g.outline_worst_error_percent,
        "frames": ", ".join(frame.name for frame in p.frames),
        "sets": len(report.each_set),
        "cuts_m": ", ".join(f"{cut:.4g}" for cut in report.cuts_m),
        "sets_rectangle_worst_error_percent": report.sets_worst_error_percent[0],
        "sets_outline_worst_error_percent": report.sets_worst_error_percent[1],
        "warnings": len(report.warnings),
        "overlay_png": f"{home.name}/overlay-{name}.png",
        "overlay_svg": f"{home.name}/overlay-{name}.svg",
        "guide_json": f"{home.name}/guide-{name}.json",
        "sheet_pdf": f"{home.name}/sheet.pdf",
    }
    return {key: _plain(value) for key, value in values.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return "inf" if math.isinf(value) else "" if math.isnan(value) else round(value, 4)
    return value


def _stamped(home: Path, digest: str) -> Made | None:
    """What was made before from the same input, if all of it is still there."""
    try:
        stamp = json.loads(read_text(home / STAMP))
        if stamp["digest"] != digest or stamp.pop("seal") != _seal(stamp) or any((home / name).stat().st_size != size for name, size in stamp["files"].items()):
            return None
        return Made(**{**stamp["made"], "rows": tuple(stamp["made"]["rows"])})
    except (InputError, OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _seal(stamp: dict[str, Any]) -> str:
    """Tells a stamp that was damaged since it was written."""
    return hashlib.sha256(json.dumps(stamp, sort_keys=True).encode()).hexdigest()


def _put(path: Path, content: bytes, part: Path) -> None:
    beside = part / uuid.uuid4().hex
    beside.write_bytes(content)
    os.replace(beside, path)


def _finish(out: Path, made: Sequence[Made], options: SetOptions) -> None:
    """The index as CSV and JSON, and all sheets in one PDF; left alone where nothing changed."""
    part = out / PART
    rows = [row for each in made for row in each.rows]
    problems = [{"pairing": each.file, "problem": each.problem} for each in made if each.problem]
    index = json.dumps({"guides": rows, "problems": problems}, indent=1, ensure_ascii=False) + "\n"
    text = io.StringIO(newline="")
    if rows:
        writer = csv.DictWriter(text, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows({key: _safe_cell(value) for key, value in row.items()} for row in rows)
    sheets = out / "sheets.pdf"
    same = all(each.kept for each in made if not each.problem) and sheets.exists() and _said(out / "index.json") == index
    if not same:
        if rows:
            _bind(out, [each for each in made if not each.problem], options, part)
        else:
            sheets.unlink(missing_ok=True)
    _put(out / "index.csv", ("\ufeff" + text.getvalue()).encode(), part)
    _put(out / "index.json", index.encode(), part)  # last: it vouches for the PDF


def _said(index: Path) -> str:
    try:
        return read_text(index, limit=100_000_000)
    except InputError:  # missing or damaged
        return ""


def _safe_cell(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula is set off with an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _bind(out: Path, made: Sequence[Made], options: SetOptions, part: Path) -> None:
    """One PDF of all sheets with contents in front."""
    import pypdf
    from pypdf.annotations import Link
    from pypdf.generic import Fit

    from framematch.output.contents import add_contents, contents_rows
    from framematch.output.pdf import document, made_line
    from framematch.output.sheet import percent

    front, bound = part / f"{uuid.uuid4().hex}.pdf", part / f"{uuid.uuid4().hex}.pdf"
    rows = contents_rows([each.title for each in made])
    first = 1 + max((row.page for row in rows), default=-1)
    starts = [first + sum(each.pages for each in made[:i]) for i in range(len(made))]
    entries = [(each.title, f"{each.file}, off by up to {percent(each.rows[0]['rectangle_worst_error_percent'])}") for each in made]
    with document(front, title="Guide sheets") as doc:
        add_contents(doc, entries, [start + 1 for start in starts], paper=options.paper, made=made_line(), links=False)
    writer = pypdf.PdfWriter()
    writer.append(str(front), import_outline=False)
    for each in made:
        writer.append(str(out / Path(each.file).stem / "sheet.pdf"), outline_item=each.title or each.file, import_outline=False)
    for i, row in enumerate(rows):
        writer.add_annotation(row.page, Link(rect=row.link_pt(options.paper), target_page_index=starts[i], fit=Fit.fit()))
    writer.compress_identical_objects()
    writer.add_metadata({"/Title": f"Guides for {len(made)} pairings", "/Creator": f"framematch {__version__}"})
    setattr(writer.create_viewer_preferences(), "print_scaling", "/None")  # noqa: B010 (typed as read-only)
    writer.write(str(bound))
    writer.close()
    os.replace(bound, out / "sheets.pdf")


def _is_pairing(path: Path) -> bool:
    """False for a file that only holds a camera or a mount for others to use; a broken file counts, and is reported."""
    from framematch.text.toml import parse_toml

    try:
        data = parse_toml(read_text(path), name=path.name)
    except InputError:
        return True
    return "shot" in data or ("recording" in data and "monitoring" in data)


def _check(options: SetOptions) -> None:
    from framematch.guide.sets import MOST_SETS
    from framematch.output.guide_drawing import PARTS
    from framematch.output.pdf import paper_mm
    from framematch.output.raster import MOST_PIXELS
    from framematch.output.true_scale import fitting_paper

    paper_mm(options.paper)
    if not 1 <= options.sets <= MOST_SETS:
        raise InputError(f"{options.sets} sets of lines can't be made", field="sets", fix=f"give 1 to {MOST_SETS}")
    if options.display_mm is not None:
        fitting_paper(options.display_mm, options.paper)
    for wide, high in options.sizes_px:
        if not (16 <= wide <= 32768 and 16 <= high <= 32768 and wide * high <= MOST_PIXELS):
            raise InputError(f"{wide} x {high} is not a display", field="size", fix="give pixels such as 1280x720")
    unknown = [part for part in options.parts if part not in PARTS]
    if unknown:
        raise InputError(f"{unknown[0]!r} can't be drawn", field="draw", fix=f"choose from {', '.join(PARTS)}")
