"""The pocket file: HTML that a strict parser reads, that loads and runs nothing, and whose figures are the report's."""

from __future__ import annotations

import datetime
from html.parser import HTMLParser

import pytest

from framematch.cautions import GUIDE
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.guide.report import guide_report
from framematch.output.pocket import pocket_html
from framematch.text.toml import changed_text

VOID = {"meta", "input", "br"}  # HTML Living Standard, 13.1.2


class Read(HTMLParser):
    """What stands in the file; tags that don't close are a fault."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data


@pytest.fixture(scope="module")
def reports():
    one = changed_text(STARTER, {"production": "Pane <Nine>", "recording.serial": "B-014"})
    two = changed_text(one, {"title": "Other & wider", "recording.focal_mm": 14.0})
    return [guide_report(parse_pairing(one)), guide_report(parse_pairing(two), sets=2)]


def test_it_is_whole_and_asks_for_nothing(reports) -> None:
    html = pocket_html(reports, when=datetime.date(2031, 5, 4))
    read = Read()
    read.feed(html)
    read.close()
    assert read.open == [] and html.startswith("<!doctype html>")
    assert not any(tag in ("script", "link", "iframe", "img", "object", "embed") for tag, _ in read.tags)
    for tag, attributes in read.tags:
        assert not any(name.startswith("on") or name in ("src", "href", "srcset", "action") for name in attributes), tag
    assert html.count("http") == html.count('xmlns="http://www.w3.org/2000/svg"') + html.count("http-equiv")
    assert sum(tag == "svg" for tag, _ in read.tags) == 2
    for words in ("Pane <Nine>", "Other & wider", "body B-014", "2031-05-04", "Set 2", *GUIDE):
        assert words in read.text
    ids = [attributes["id"] for _, attributes in read.tags if attributes.get("id")]
    assert len(ids) == len(set(ids))


def test_its_numbers_are_the_reports(reports) -> None:
    read = Read()
    read.feed(pocket_html(reports[:1]))
    r = reports[0].guide.rectangle
    for value in (r.left, r.top, 1280 - r.right, 720 - r.bottom):
        assert f"{value:.0f}" in read.text
    c = reports[0].cells
    assert f"col {c.left_column}" in read.text and f"row {c.bottom_row}" in read.text


def test_none_or_too_many_are_refused(reports) -> None:
    for wrong in ([], reports[:1] * 61):
        with pytest.raises(InputError, match="1 to 60"):
            pocket_html(wrong)
