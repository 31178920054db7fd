"""Text of any length is read, or refused, in time that grows with its length alone: nobody's link may hold up the others."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from framematch.cli.figures import percent_at
from framematch.errors import InputError
from framematch.files.day_tables import _density
from framematch.files.pairing import parse_pairing
from framematch.files.pairing_tables import parse_aspect
from framematch.files.starter import STARTER
from framematch.measure.chart import parse_chart
from framematch.page.address import address_of, packed, unpacked
from framematch.text import typed, units

LONG = 400_000  # characters: a minute and more where time goes with the square, a few thousandths of a second where it doesn't
PATIENCE_S = 20


@contextmanager
def patience() -> Iterator[None]:
    def end(*_: object) -> None:
        raise TimeoutError(f"not read within {PATIENCE_S} s")

    before = signal.signal(signal.SIGALRM, end)
    signal.alarm(PATIENCE_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


HOSTILE = {
    "digits": "9" * LONG,
    "digits and dots": "9." * (LONG // 2),
    "spaces": " " * LONG,
    "a number, spaces": "1" + " " * LONG + "x",
    "a unit, spaces": "1 m" + " " * LONG + "1",
    "letters": "1 " + "m" * LONG,
    "exponents": "1e" * (LONG // 2),
    "many figures": "1 ft" * (LONG // 4),
    "signs": "1" + "+" * LONG,
    "sizes": "1x" * (LONG // 2),
    "a size of digits": "1x" + "9" * LONG,
}
READERS: dict[str, Callable[[str], Any]] = {
    "a figure": lambda text: units.read(text, unit="m"),
    "a file's figure": lambda text: units.metric({"at_m": text}),
    "a gap's size": lambda text: typed.size(text, "--gap", "1.2x0.9"),
    "places": lambda text: typed.places(text, "--marks"),
    "a filter": _density,
    "an aspect": parse_aspect,
    "a chart": parse_chart,
    "a percentage": lambda text: percent_at(text, "seen"),
    "an address's distance": lambda text: address_of({"at": text, "area": text}),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("text", HOSTILE)
def test_any_length_is_read_at_once(reader: str, text: str) -> None:
    with patience():
        try:
            READERS[reader](HOSTILE[text])
        except ValueError as error:  # InputError among them
            assert "\n" not in str(error)


@pytest.mark.parametrize("figure", ["{9}", "{9} kg", "{ }m", "1{ }x"])
def test_a_link_with_a_long_figure_is_refused_at_once(figure: str) -> None:
    """The address that froze the page for half an hour: a pairing that packs small."""
    figure = figure.replace("{9}", "9" * 30_000).replace("{ }", " " * 30_000)
    text = STARTER.replace("focal_mm = 18.0", f'focal_mm = "{figure}"', 1)
    assert packed(text)
    with patience(), pytest.raises(InputError, match=r"recording\.focal_mm: .* is not a number"):
        unpacked(packed(text))


def test_the_longest_figure_that_is_read() -> None:
    assert units.read("1" + " " * 90 + "m", unit="m") == 1.0
    with pytest.raises(InputError, match="is not a figure with a unit"):
        units.read("1" + " " * 100 + "m", unit="m")
    assert parse_pairing(STARTER.replace("focal_mm = 18.0", 'focal_mm = "1.8 cm"', 1)).recording.lens.focal_mm == pytest.approx(18)
