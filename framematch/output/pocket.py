"""The pocket file: a whole kit's guides as one HTML file without script that any phone opens without a network.

One radio button for each pairing; the style sheet shows the one that is chosen (HTML Living Standard, CSS Selectors 4).
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from html import escape
from pathlib import Path

from framematch.cautions import GUIDE
from framematch.errors import InputError
from framematch.guide.report import Report, insets_percent, insets_px
from framematch.guide.shown import metres
from framematch.guide.transfer import EDGES
from framematch.guide.words import change_words
from framematch.output.guide_drawing import guide_drawing
from framematch.output.pdf import made_line
from framematch.output.svg import drawing_svg
from framematch.text.whole import write_text

MOST = 60  # pairings in one file
_STYLE = """
:root{color-scheme:light dark;--ink:#1c2226;--ground:#faf9f6;--line:#c4c0b6;--fault:#70440a}
@media (prefers-color-scheme:dark){:root{--ink:#edf0f1;--ground:#12171a;--line:#3d484e;--fault:#f2c374}}
body{margin:0;padding:.6rem;font:16px/1.4 sans-serif;color:var(--ink);background:var(--ground)}
h1{font-size:1.1rem;margin:0 0 .4rem}h2{font-size:1.05rem;margin:.6rem 0 .2rem}p{margin:.3rem 0}
input{accent-color:#0f5a66}nav{display:flex;flex-wrap:wrap;gap:.3rem 1rem;border-bottom:1px solid var(--line);padding-bottom:.5rem}
nav label{display:inline-flex;align-items:center;gap:.4rem;min-height:2.2rem}
section{display:none}svg{display:block;width:100%;max-width:900px;height:auto;background:#4a5259}
table{border-collapse:collapse;width:100%;max-width:900px}th,td{text-align:right;padding:.25rem .4rem;border-bottom:1px solid var(--line)}
th:first-child{text-align:left}td{font-weight:600;font-size:1.2rem;font-variant-numeric:tabular-nums}.caution{color:var(--fault)}ul{padding-left:1.1rem}
@media print{section{display:block;break-after:page}nav{display:none}}
"""


def pocket_html(reports: Sequence[Report], *, title: str = "", when: datetime.date | None = None) -> str:
    """The file's text.

    Args:
        reports: of each pairing, in the order in which they are offered.
        title: of the file; the first pairing's production or the number of pairings if not given.
        when: the date that it says; today if not given.

    Raises:
        InputError: none, or more than ``MOST`` of them.
    """
    if not 1 <= len(reports) <= MOST:
        raise InputError(f"{len(reports)} pairings", fix=f"a pocket file holds 1 to {MOST}")
    about = reports[0].pairing.about
    name = title or ", ".join(filter(None, (about.production, about.unit))) or f"Guides of {len(reports)} pairing{'s' if len(reports) > 1 else ''}"
    shown = "".join(f"body:has(#p{i}:checked) #s{i}{{display:block}}" for i in range(len(reports)))
    choices = "".join(
        f'<label><input type="radio" name="p" id="p{i}"{" checked" if i == 0 else ""}>{escape(_name(each, i))}</label>' for i, each in enumerate(reports)
    )
    pages = "".join(f'<section id="s{i}" aria-label="{escape(_name(each, i), quote=True)}">{_page(each)}</section>' for i, each in enumerate(reports))
    cautions = "".join(f"<li>{escape(line)}</li>" for line in GUIDE)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        "<meta http-equiv=\"content-security-policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escape(name)}</title><style>{_STYLE}{shown}</style></head><body><main><h1>{escape(name)}</h1>"
        f'<nav aria-label="Pairing">{choices}</nav>{pages}<h2>Before you fly</h2><ul class="caution">{cautions}</ul>'
        f"<p>{escape(made_line(when))}</p></main></body></html>\n"
    )


def write_pocket(path: Path, reports: Sequence[Report], *, title: str = "") -> None:
    """Write the file, whole or not at all.

    Raises:
        InputError: as :func:`pocket_html`, or the file can't be written.
    """
    write_text(path, pocket_html(reports, title=title))


def _name(report: Report, i: int) -> str:
    return report.pairing.title or f"Pairing {i + 1}"


def _page(report: Report) -> str:
    pairing = report.pairing
    out = f"<h2>{escape(pairing.title)}</h2>" + (f"<p>{escape(pairing.about.words)}</p>" if pairing.about.words else "")
    svg = drawing_svg(guide_drawing(report)).replace("<svg ", f'<svg role="img" aria-label="{escape(_words(report), quote=True)}" ', 1)
    wide, high = pairing.display.raster_px
    rows = ""
    for number, one in enumerate(report.each_set, 1):
        for i, frame in enumerate(pairing.frames):
            each, named = one.each_frame[i], frame.name if len(pairing.frames) > 1 else ""
            of = ", ".join(filter(None, (f"set {number}" if report.sets else "", named)))
            for unit, values, digits in (("px", insets_px, 0), ("%", insets_percent, 1)):
                cells = "".join(f"<td>{value:.{digits}f}</td>" for value in values(each.guide.rectangle, (wide, high)))
                rows += f'<tr><th scope="row">{escape(f"{of} {unit}".strip())}</th>{cells}</tr>'
            if each.cells is not None:
                c = each.cells
                first = f"OSD {of}".strip()
                rows += f'<tr><th scope="row">{escape(first)}</th>' + "".join(
                    f"<td>{word} {n}</td>" for word, n in (("col", c.left_column), ("row", c.top_row), ("col", c.right_column), ("row", c.bottom_row))
                )
                rows += "</tr>"
    head = "".join(f'<th scope="col">{edge}</th>' for edge in EDGES)
    caption = f"<caption>Insets from each edge of the {wide} x {high} picture</caption>"
    table = f"<table>{caption}<thead><tr><td></td>{head}</tr></thead><tbody>{rows}</tbody></table>"
    most = report.guide.rectangle_worst_error_percent
    lines = [f"For {metres(pairing.near_m)} to {metres(pairing.far_m)}; the rectangle is off by up to {most:.1f} % of the frame.", *change_words(report)]
    warned = "".join(f'<p class="caution">{escape(line)}</p>' for line in report.warnings)
    return out + svg + table + "".join(f"<p>{escape(line)}</p>" for line in lines) + warned


def _words(report: Report) -> str:
    insets = zip(EDGES, insets_px(report.guide.rectangle, report.pairing.display.raster_px), strict=True)
    return "The guide on the goggles' picture: rectangle " + ", ".join(f"{value:.0f} px from the {edge}" for edge, value in insets) + "."
