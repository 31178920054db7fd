"""How the page looks: two sets of colours and the style sheet.

Every pair of ink and ground has a contrast of 4.5 to 1 or more (WCAG 2.2, level AA); tests work it out.
Series are told apart by dash and by label as well as by hue.
"""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from functools import cache
from html import escape

from framematch.output.chart import SERIES, Look
from framematch.text.typeface import WEB_FAMILY, web_font_file


@dataclass(frozen=True, kw_only=True)
class Colours:
    """Inks and grounds as #rrggbb."""

    ground: str
    panel: str
    ink: str
    quiet: str
    accent: str
    line: str
    fault: str
    caution: str
    series: tuple[str, str, str, str]

    @property
    def chart(self) -> Look:
        """As charts are drawn."""
        return Look(ink=self.ink, quiet=self.quiet, rule=self.line, ground=self.panel, size=13)


LIGHT = Colours(
    ground="#faf9f6",
    panel="#efede7",
    ink="#1c2226",
    quiet="#4c565d",
    accent="#0f5a66",
    line="#c4c0b6",
    fault="#9c2417",
    caution="#70440a",
    series=SERIES,
)
DARK = Colours(
    ground="#12171a",
    panel="#1d2428",
    ink="#edf0f1",
    quiet="#b4bfc5",
    accent="#7cc7d1",
    line="#3d484e",
    fault="#ffa99c",
    caution="#f2c374",
    series=("#7cc7d1", "#f0a468", "#bcb2ff", "#cfd484"),
)
CHART = (560, 300)  # pixels of a chart

STYLE = """
<style>
[data-testid="stMainBlockContainer"]{max-width:1560px;padding:1.1rem 1.6rem 4rem}
[data-testid="stHeader"]{background:transparent;height:2.2rem}
[data-testid="stHeader"],[data-testid="stHeader"] *{pointer-events:none}
[data-testid="stHeader"] button,[data-testid="stHeader"] button *{pointer-events:auto}
[data-testid="stStatusWidget"],[data-testid="stDecoration"]{display:none}
[data-stale="true"]{opacity:1 !important;transition:none !important}
[data-testid="stMainBlockContainer"] [data-testid="stVerticalBlock"]{gap:.7rem}
[data-testid="stLayoutWrapper"]:has(>.st-key-views-parts),[data-testid="stLayoutWrapper"]:has(>.st-key-foretold-parts){display:none}
[data-testid="stLayoutWrapper"]:has(>[class*="st-key-views-note"]){display:none}
.st-key-fm-stage,.st-key-fm-stage [data-testid="stVerticalBlock"]{gap:.3rem !important}
.st-key-fm-pilot{flex-wrap:nowrap !important}.st-key-fm-pilot>*{flex:none;width:auto !important}.st-key-fm-pilot>:first-child{flex:1 1 0;min-width:0}
.st-key-fm-buttons{justify-content:flex-end;padding-right:2.2rem}
.fm h1,.fm h2,.fm h3{margin:0;padding:0;font-weight:600;letter-spacing:0}
.fm h1{font-size:1.35rem}.fm h2{font-size:1.15rem}.fm h3{font-size:1rem}
.fm p{margin:0;line-height:1.45}
.fm p+p,.fm .scroll+p{margin-top:.3rem}
.fm *+.scroll,.fm *+h3{margin-top:.6rem}
.fm .quiet{opacity:1;font-size:.86rem}
.fm .fault{font-weight:600;font-size:.88rem}
.fm .big{font-size:1.05rem;font-weight:600}
[data-testid="stElementContainer"]:has(.fm-gone){display:none}
.fm ul{margin:.2rem 0 0;padding-left:1.1rem}
.fm li{margin:.15rem 0;line-height:1.4}
.fm table+h3,.fm p+h3,.fm ul+h3,.fm .scroll+.scroll,.fm p+.scroll{margin-top:.7rem}
.st-key-day-text textarea{font-family:monospace;font-size:.82rem}
.fm .four{display:flex;flex-wrap:wrap;gap:.1rem 1.3rem;margin:0;padding:0;list-style:none;align-items:baseline}
.fm .four li{white-space:nowrap;margin:0;font-size:.86rem}.fm .four b{font-size:1.35rem;font-variant-numeric:tabular-nums;margin-left:.25rem}
.fm .views{display:flex;flex-wrap:wrap;gap:.9rem}
.fm figure{margin:0;min-width:min(340px,100%)}
.fm figcaption{font-size:.86rem;line-height:1.35;margin-top:.3rem}
.fm .picture{position:relative;overflow:hidden;border-radius:4px;background:#2a3136}
.fm .picture img{position:absolute;inset:0;width:100%;height:100%;display:block}
.fm table{border-collapse:collapse;font-variant-numeric:tabular-nums;width:100%}
.fm th,.fm td{text-align:right;padding:.28rem .5rem;font-size:.94rem;vertical-align:top}
.fm th:first-child,.fm td:first-child{text-align:left}
.fm th{font-weight:600}
.fm tbody th{min-width:4.2rem}
.fm .figures td{white-space:nowrap}
.fm.chart .drawing{max-width:640px}
.fm .type td{font-size:1.35rem;font-weight:600}
.fm .scroll{overflow-x:auto}
.fm caption{text-align:left;font-weight:600;padding:.2rem 0}
.fm .drawing{width:100%;height:auto;display:block;border-radius:4px}
.fm .key{display:flex;flex-wrap:wrap;gap:.3rem 1.1rem;font-size:.86rem;margin-top:.35rem}
.fm .key span{display:inline-flex;align-items:center;gap:.4rem}
.fm .key i{display:inline-block;width:1.7rem;height:.32rem;border-radius:2px;outline:1px solid #555}
@media (min-width:1100px){
 [data-testid="stMainBlockContainer"]>[data-testid="stVerticalBlock"]:has(>[data-testid="stLayoutWrapper"]>.st-key-fm-stage)
 {display:grid;grid-template-columns:minmax(0,42fr) minmax(0,58fr);column-gap:1.6rem;align-items:start;grid-template-rows:repeat(2,auto) 1fr}
 [data-testid="stMainBlockContainer"]>[data-testid="stVerticalBlock"]:has(>[data-testid="stLayoutWrapper"]>.st-key-fm-stage)>*{grid-column:1/-1}
 [data-testid="stMainBlockContainer"]>[data-testid="stVerticalBlock"]>[data-testid="stLayoutWrapper"]:has(>.st-key-fm-stage)
 {grid-column:1;position:sticky;top:.6rem;max-height:calc(100vh - 1.2rem);overflow-y:auto}
 [data-testid="stMainBlockContainer"]>[data-testid="stVerticalBlock"]>[data-testid="stLayoutWrapper"]:has(>.st-key-fm-areas){grid-column:2}
 .st-key-fm-areas [data-testid="stHorizontalBlock"]{flex-wrap:wrap}
 .st-key-fm-areas [data-testid="stHorizontalBlock"]>[data-testid="stColumn"]{min-width:min(9rem,100%)}
 .st-key-fm-areas [data-testid="stHorizontalBlock"]>
 [data-testid="stColumn"]:has([data-testid="stHorizontalBlock"],.fm:not(.fault-beside),[data-testid="stFileUploader"])
 {min-width:min(19rem,100%)}
 .st-key-fm-areas [data-testid="stHorizontalBlock"]>[data-testid="stColumn"]:has(.fm.chart:not(.fault-beside)){min-width:min(26rem,100%)}
}
.st-key-fm-areas [data-testid="stHorizontalBlock"]:has([data-testid="stNumberInput"]):not(:has([data-testid="stHorizontalBlock"],.fm)){align-items:flex-end}
@media (max-width:1099px){[data-testid="stMain"]{scroll-padding-top:110px}}
@media (max-width:640px){
 .st-key-fm-head .quiet{display:none}
 .st-key-fm-head [data-testid="stHorizontalBlock"]{gap:.2rem}
 .st-key-fm-buttons{flex-wrap:nowrap !important;gap:.35rem !important;justify-content:flex-start}
 .st-key-fm-buttons button{padding:.2rem .5rem;min-height:2.2rem}
 .fm .four{gap:.1rem .55rem}.fm .four li{font-size:.78rem}.fm .four b{font-size:1.02rem;letter-spacing:0}
 [data-testid="stMainBlockContainer"]{padding:.8rem .7rem 3rem}
 .st-key-fm-buttons{padding-right:0}
 [data-testid="stHorizontalBlock"]:has(>[data-testid="stColumn"]>[data-testid="stVerticalBlock"]>[data-testid="stElementContainer"]>[data-testid="stNumberInput"]):not(:has([data-testid="stHorizontalBlock"],[class*="st-key-exchange-picture"],[data-testid="stFileUploader"],[class*="st-key-measure-"][class*="-chart"]))
 >[data-testid="stColumn"]{min-width:calc(50% - .6rem) !important;flex:1 1 calc(50% - .6rem) !important;width:auto !important}
 [data-testid="stHorizontalBlock"]{gap:.6rem}
 [data-testid="stHorizontalBlock"]:has([data-testid="stFileUploader"])>[data-testid="stColumn"],
 [data-testid="stHorizontalBlock"]:has([class*="st-key-measure-"][class*="-chart"])>[data-testid="stColumn"],
 [data-testid="stHorizontalBlock"]:has([class*="st-key-exchange-picture"])>[data-testid="stColumn"]
 {min-width:100% !important;flex-basis:100% !important}
 [data-testid="stTabs"] [role="tablist"]{gap:.62rem}
 .fm .views{gap:.6rem}.fm h1{font-size:1.15rem}
 .fm th,.fm td{padding:.25rem .3rem;font-size:.88rem}.fm .type td{font-size:1.15rem}
}
</style>
"""


#: Ours in place of the toolkit's: its menu goes, its help signs become a word.
OWN = (
    '[data-testid="stMainMenu"],[data-testid="stAppDeployButton"]{display:none}'
    '[data-testid="stTooltipIcon"] svg{display:none}'
    '[data-testid="stTooltipIcon"]::after{content:"about";margin-left:.4rem;font-size:.74rem;line-height:1;border-bottom:1px dotted currentColor;opacity:.85}'
)


@cache
def _typeface() -> str:
    faces = ((400, web_font_file(400)), (600, web_font_file(600)))
    return "".join(
        f"@font-face{{font-family:'{WEB_FAMILY}';font-weight:{weight};font-display:swap;"
        f"src:url(data:font/woff2;base64,{base64.b64encode(file.read_bytes()).decode()}) format('woff2')}}"
        for weight, file in faces
    )


def style(c: Colours) -> str:
    """The style sheet in a set of colours."""
    return STYLE.replace("<style>", f"<style>{_typeface()}{OWN}", 1).replace(
        "</style>",
        f'[data-tag]{{background:{c.accent} !important}}[data-tag],[data-tag] *,[data-testid="stBaseButton-primary"],'
        f'[data-testid="stBaseButton-primary"] *{{color:{c.ground} !important}}'
        f".fm{{color:{c.ink}}}.fm .quiet,.fm figcaption{{color:{c.quiet}}}.fm .fault{{color:{c.fault}}}.fm .caution{{color:{c.caution}}}"
        f".fm tr{{border-bottom:1px solid {c.line}}}.fm .panel{{background:{c.panel};border-radius:6px;padding:.7rem .9rem}}</style>",
    )


def block(html: str, *, kind: str = "") -> str:
    """Markup of ours, so that the style sheet finds it."""
    return f'<div class="fm {kind}">{html}</div>'


def paragraph(text: str, kind: str = "") -> str:
    """A line of plain text."""
    return f'<p class="{kind}">{escape(text)}</p>'


def as_typed(text: str) -> str:
    """Text for Streamlit's own messages, which take it for Markdown: a file's or an address's words would load pictures from elsewhere."""
    return re.sub(r"([\\`*\[\]<>$~])", r"\\\1", text)


def svg_source(svg: str) -> str:
    """An SVG as an image's source."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


#: In place of something that is to go at once: the toolkit takes what is merely emptied away only when the run is over.
GONE = '<i class="fm-gone"></i>'


def picture_source(picture: bytes) -> str:
    """A JPEG or PNG file as an image's source."""
    kind = "png" if picture[:4] == b"\x89PNG" else "jpeg"
    return f"data:image/{kind};base64,{base64.b64encode(picture).decode()}"


def drawing(svg: str, alt: str) -> str:
    """An SVG with its text alternative."""
    return f'<img class="drawing" src="{svg_source(svg)}" alt="{escape(alt, quote=True)}">'


def table(headings: list[str], rows: list[list[str]], *, caption: str, kind: str = "") -> str:
    """A table; the first cell of a row is its heading."""
    head = "".join(f'<th scope="col">{escape(h)}</th>' if h else "<td></td>" for h in headings)
    body = "".join(f'<tr><th scope="row">{escape(r[0])}</th>' + "".join(f"<td>{escape(v)}</td>" for v in r[1:]) + "</tr>" for r in rows)
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption, quote=True)}"><table class="{kind}">' + (
        f"<caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )
