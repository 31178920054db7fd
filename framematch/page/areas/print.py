"""Paper, seen before it is printed: guide sheets, wall marks for the bench, the gap's lenses, the calibration chart."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import streamlit as st

from framematch.compare import Shot
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.geometry.pairing import Pairing
from framematch.guide.report import Report
from framematch.guide.shown import as_spoken_here, system
from framematch.page import lines, session
from framematch.page.areas import wall
from framematch.page.areas.kit import kit_now
from framematch.page.draft import MOST_BYTES, text_from_upload
from framematch.page.files_made import made, stem
from framematch.page.kept_choices import kept
from framematch.page.long_work import awaited
from framematch.page.look import Colours, block, paragraph
from framematch.page.patience import Pulse, patiently
from framematch.page.pdf_preview import PAGES_AT_ONCE, leaf, page_count, preview_markup
from framematch.page.work import comparison_of, report_of
from framematch.render.keep import Kept
from framematch.text.whole import plain_name

SHEETS, WALL, LENSES, CHART = "Guide sheets", "Wall marks", "Lenses for the gap", "Calibration chart"
PAPERS = {"A4": "A4, 210 x 297 mm", "letter": "US Letter, 8.5 x 11 in", "A3": "A3, 297 x 420 mm"}
CHART_PAPERS = {"A3": "A3, 297 x 420 mm", "A4": "A4, 210 x 297 mm", "letter": "US Letter, 8.5 x 11 in", "A2": "A2, 420 x 594 mm"}
MORE, MORE_TEXTS, MORE_TROUBLES = "print:more", "fm_more_pairings", "fm_more_troubles"
MOST_MORE = 60
_kept_pdfs: Kept[bytes] = Kept(limit_bytes=48_000_000, size=len)


@dataclass(frozen=True, kw_only=True)
class Job:
    """A PDF to be shown and downloaded: what it is made from, how, and the name that its file gets."""

    key: tuple[object, ...]
    make: Callable[[], bytes]
    file_name: str
    button: str
    button_key: str
    note: str = "Print at 100 % (actual size)."

    def pdf(self) -> bytes:
        """The file, made at most once a day from the same figures (its footer has the date)."""
        return _kept_pdfs.get((datetime.date.today(), system(), *self.key), self.make)


@dataclass(frozen=True, kw_only=True)
class Kind:
    """Something to print: what it is for, and what draws its settings and says what is made from them."""

    about: str
    ask: Callable[[Pairing, Colours, Pulse], Job]


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """What to print, its settings, and its pages as they will come out."""
    what = st.radio("What to print", list(KINDS), horizontal=True, **kept("print:what", SHEETS))
    controls, pages = st.columns([1, 1.7], gap="large")
    with controls:
        st.html(block(f"<h2>{what}</h2>" + paragraph(KINDS[what].about, "quiet")))
        try:
            job = KINDS[what].ask(pairing, colours, pulse)
            st.download_button(
                job.button,
                as_spoken_here(job.pdf),
                job.file_name,
                "application/pdf",
                key=job.button_key,
                on_click="ignore",
                help="The file that is shown here.",
            )
        except InputError as error:
            st.html(block(paragraph(f"Nothing to print: {error}", "fault")))
            job = None
        st.html(block(paragraph("Propellers off and packs out for all work on the bench.", "caution")))
    with pages:
        if job is not None:
            _preview(job, what, pulse)


def _preview(job: Job, what: str, pulse: Pulse) -> None:
    st.html(block("<h2>As it will be printed</h2>"))
    larger = st.toggle("Larger, to read the small print", help="The pages are then wider than their place: move them sideways.", **kept("print:larger", False))
    leafing, waits, spot = st.container(), st.container(), st.empty()
    try:
        with waits:
            pdf = awaited(("pdf", job.key), job.pdf, pulse)
        count = patiently(partial(page_count, pdf), pulse)
        with leafing:
            first = _first_page(count)
        shown = range(first, min(first + PAGES_AT_ONCE, count + 1))
        leaves = [patiently(partial(leaf, pdf, number), pulse) for number in shown]
    except InputError as error:
        waits.html(block(paragraph(f"No preview: {error}", "fault")))
        spot.empty()
        return
    spot.html(preview_markup(leaves, count, name=what, note=job.note, larger=larger))


def _first_page(count: int) -> int:
    if count <= PAGES_AT_ONCE:
        return 1
    last = count - PAGES_AT_ONCE + 1
    st.session_state["fm_kept:print:first"] = min(st.session_state.get("fm_kept:print:first", 1), last)
    first: int = st.number_input(f"First page shown, of {count}", 1, last, step=1, help=f"{PAGES_AT_ONCE} pages are shown at once.", **kept("print:first", 1))
    return first


# Guide sheets.


def _paper() -> str:
    paper: str = st.selectbox("Paper", list(PAPERS), format_func=lambda name: PAPERS[name], help="What the printer holds.", **kept("print:paper", "A4"))
    return paper


def _sheets(pairing: Pairing, colours: Colours, pulse: Pulse) -> Job:
    paper = _paper()
    known = st.checkbox("Also at true scale for a picture of this size", help="To lay over a monitor, or to trace on film.", **kept("print:true", False))
    wide_px, high_px = pairing.display.raster_px
    diagonal = st.number_input(
        f"Diagonal of the picture, inches ({wide_px} x {high_px})", 1.0, 20.0, step=0.1, format="%.1f", disabled=not known,
        help="Of the picture itself, as the monitor's sheet gives it; width and height follow from its pixels.", **kept("print:diagonal", 7.0),
    )  # fmt: skip
    walled = st.checkbox("Also wall marks", help="A page of tape-measure numbers for the bench.", **kept("print:walled", False))
    at = None
    if walled:
        at = wall.distance_field("print:sheet-wall")
    sets = lines.sets_choice(pairing, key="print:sets")
    whole = bool(session.draft().kit) and st.checkbox("The whole kit, a page for each of its pairings", help="See the Kit area.", **kept("print:kit", True))
    reports = _reports([*(_of_kit() if whole else [pairing]), *_more()], pulse, sets)
    size = None
    if known:
        from framematch.output.true_scale import fitting_paper, sides_mm

        size = sides_mm(diagonal, pairing.display.raster_px)
        st.html(block(paragraph(f"The picture is {size[0]:.0f} x {size[1]:.0f} mm.", "quiet")))
        fitting_paper(size, paper)
    about = pairing.about
    name = stem(pairing) if len(reports) == 1 else "-".join(plain_name(part) for part in (about.production, about.unit, "guide sheets") if part)
    return _sheet_job(reports, paper, size, at, f"{name}.pdf", "Guide sheets (PDF)" if len(reports) > 1 else "Guide sheet (PDF)", "print:sheet")


def _of_kit() -> list[Pairing]:
    return [each.pairing for each in kit_now().pairings if each.pairing is not None]


def _sheet_job(reports: list[Report], paper: str, size_mm: tuple[float, float] | None, wall_m: float | None, name: str, button: str, key: str) -> Job:
    return Job(
        key=("sheet", tuple((r.pairing, len(r.sets)) for r in reports), paper, size_mm, wall_m),
        make=lambda: sheet_pdf(reports, paper, size_mm, wall_m),
        file_name=name,
        button=button,
        button_key=key,
    )


def sheet_pdf(reports: list[Report], paper: str, size_mm: tuple[float, float] | None, wall_m: float | None = None) -> bytes:
    """The sheets' PDF: the command line's own."""
    from framematch.output.sheet import write_sheets

    return made(lambda path: write_sheets(path, reports, paper=paper, display_mm=size_mm, wall_m=wall_m), "sheet.pdf")


def _reports(pairings: list[Pairing], pulse: Pulse, sets: int) -> list[Report]:
    """Every pairing's report with so many sets of lines; one that has no guide is named and the rest still come."""
    found, spot = [], st.empty()
    for i, each in enumerate(pairings):
        if len(pairings) > 2:
            spot.html(block(paragraph(f"Working out pairing {i + 1} of {len(pairings)} …", "quiet")))
        try:
            found.append(lines.lines_awaited(each, sets if each.far_m > each.near_m else 1, pulse))
        except InputError as error:
            if len(pairings) == 1:
                raise
            st.html(block(paragraph(f"Left out, {each.title or 'no title'}: {error}", "fault")))
        finally:
            spot.empty()
    if not found:
        raise InputError("none of the pairings has a guide", fix="see the lines above")
    return found


def _more() -> list[Pairing]:
    """Further pairings to print with this page's own."""
    st.file_uploader(
        f"Further pairings in the same PDF (TOML files, up to {MOST_BYTES / 1000:g} kB each)",
        type=["toml"],
        key=MORE,
        accept_multiple_files=True,
        max_upload_size=1,
        on_change=_more_uploaded,
        help="A page each behind this page's pairing, with a contents page in front. They are read here and kept nowhere.",
    )
    for line in st.session_state.get(MORE_TROUBLES, ()):
        st.html(block(paragraph(f"Left out. {line}", "fault")))
    texts: dict[str, str] = st.session_state.get(MORE_TEXTS, {})
    found = [parse_pairing(text, name=name) for name, text in texts.items()]
    if found:
        st.html(block(paragraph(f"Also printed: {'; '.join(each.title for each in found)}.", "quiet")))
        st.button("Only this page's pairing again", key="print:only", on_click=_forget_more)
    return found


def _more_uploaded() -> None:
    held = st.session_state.get(MORE) or []
    if not held:
        return
    st.session_state[MORE_TEXTS], st.session_state[MORE_TROUBLES] = read_pairings([(each.name, each.size, each.getvalue) for each in held])


def read_pairings(uploads: list[tuple[str, int, Callable[[], bytes]]]) -> tuple[dict[str, str], list[str]]:
    """The pairing texts among uploads by file name, and a line for each upload that is none.

    Args:
        uploads: name, size in bytes, and what reads it.
    """
    texts: dict[str, str] = {}
    troubles: list[str] = []
    for name, size, content in uploads:
        try:
            if len(texts) >= MOST_MORE:
                raise InputError(f"is one more than the {MOST_MORE} that are printed at once", file=name, fix="use framematch set for a folder of pairings")
            if size > MOST_BYTES:
                raise InputError(f"is larger than {MOST_BYTES / 1000:g} kB", file=name, fix="this is not a pairing file")
            key = name if name not in texts else f"{name} ({len(texts) + 1})"
            texts[key] = text_from_upload(content(), name=name)
        except InputError as error:
            troubles.append(str(error))
    return texts, troubles


def _forget_more() -> None:
    st.session_state.pop(MORE_TEXTS, None)
    st.session_state.pop(MORE_TROUBLES, None)


# Wall marks, lenses, chart.


def wall_job(pairing: Pairing, colours: Colours, pulse: Pulse) -> Job:
    """The wall marks with what they show, and the sheet that has them."""
    distance = wall.section(pairing, colours, pulse)
    paper = _paper()
    report = patiently(partial(report_of, pairing), pulse)
    return _sheet_job([report], paper, None, distance, f"{stem(pairing)}-wall-marks.pdf", "Guide sheet with wall marks (PDF)", "print:marks")


def _lenses(pairing: Pairing, colours: Colours, pulse: Pulse) -> Job:
    st.html(block(paragraph("Gap, run and lenses are those of the Gap area.")))
    paper = _paper()
    phone = st.checkbox("For the phone: one long narrow page", **kept("print:phone", False))
    shot = session.draft().shot
    return Job(
        key=("lenses", pairing, shot, phone, paper),
        make=lambda: lens_pdf(pairing, shot, phone=phone, paper=paper),
        file_name=f"{stem(pairing)}-{'lenses-phone' if phone else 'lenses'}.pdf",
        button="Lens sheet (PDF)",
        button_key="print:lenses",
        note="For the screen; scroll down." if phone else "Print at 100 % (actual size).",
    )


def lens_pdf(pairing: Pairing, shot: Shot, *, phone: bool = False, paper: str = "A4") -> bytes:
    """The lens sheet's PDF with views of its place: the command line's own."""
    from framematch.output.lens_sheet import write_sheet
    from framematch.render.lens_view import lens_view

    found = comparison_of(pairing, shot)
    return made(lambda path: write_sheet(path, found, phone=phone, view=lens_view(), paper=paper), "lenses.pdf")


def _chart(pairing: Pairing, colours: Colours, pulse: Pulse) -> Job:
    paper = st.selectbox(
        "Paper",
        list(CHART_PAPERS),
        format_func=lambda name: CHART_PAPERS[name],
        help="The larger, the farther off it can be filmed.",
        **kept("print:chart-paper", "A3"),
    )
    return Job(key=("chart", paper), make=lambda: chart_pdf(paper), file_name="chart.pdf", button="Chart (PDF)", button_key="print:chart")


def chart_pdf(paper: str) -> bytes:
    """Both charts' PDF: the command line's own."""
    from framematch.output.chart_pdf import write_charts

    return made(lambda path: write_charts(path, paper=paper), "chart.pdf")


KINDS = {
    SHEETS: Kind(about="For the case and the pilot: guide, insets, errors and lenses, a page for each pairing.", ask=_sheets),
    WALL: Kind(about="For the bench: where to tape the frame on a wall, and what a miss says about the mount.", ask=wall_job),
    LENSES: Kind(about="For the director of photography: the gap's lenses side by side, with what each records.", ask=_lenses),
    CHART: Kind(about="For measuring lenses and mount from stills: tape it flat on a stiff board.", ask=_chart),
}
