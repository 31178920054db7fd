"""What commands write to the screen: one console, one kind of heading, warning, table and progress bar.

What people typed (titles, file names) is shown as it stands: nothing in it is taken for markup.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from framematch.errors import visible

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import Any

    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.progress import Progress
    from rich.table import Table

    from framematch.compare.report import TextTable

WIDTH = 100  # of what is not a terminal: a file, a pipe


def screen(*, stderr: bool = False) -> Console:
    """The console to print to."""
    from rich.console import Console
    from rich.segment import Segment

    class Screen(Console):
        def render(self, *args: Any, **kwargs: Any) -> Iterable[Segment]:
            for each in super().render(*args, **kwargs):
                yield each if each.control else Segment(visible(each.text), each.style)

    console = Screen(stderr=stderr, markup=False, highlight=False, emoji=False)
    return console if console.is_terminal else Screen(stderr=stderr, markup=False, highlight=False, emoji=False, width=WIDTH)


def say(line: str, *, stderr: bool = False) -> None:
    """A plain line."""
    import sys

    print(visible(line), file=sys.stderr if stderr else sys.stdout)


def heading(console: Console, title: str, rest: str = "") -> None:
    """A line that starts in bold."""
    _led(console, title, "bold", rest)


def warning(console: Console, line: str) -> None:
    """A line to look at."""
    _led(console, "!", "yellow", f" {line}")


def alarm(console: Console, what: str, line: str) -> None:
    """A line that must not be missed."""
    _led(console, what, "bold red", f" {line}")


def table(title: str, *headings: str, words: int = 1, note: str = "", fold: bool = False) -> Table:
    """A table whose first columns hold words, the others figures, with true minus signs on a terminal that has them.

    Args:
        words: how many hold words.
        note: under the table.
        fold: break long cells instead of cutting them.
    """
    from rich.segment import Segment
    from rich.table import Table

    from framematch.text.units import true_minus

    class Figures(Table):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            signs = console.is_terminal and options.encoding.startswith("utf")
            for each in super().__rich_console__(console, options):
                yield Segment(true_minus(each.text), each.style) if signs and isinstance(each, Segment) and not each.control else each

    out = Figures(title=title, title_justify="left", caption=note or None, caption_justify="left")
    for i, each in enumerate(headings):
        out.add_column(each, justify="left" if i < words else "right", overflow="fold" if fold else "ellipsis")
    return out


def print_tables(console: Console, tables: Iterable[TextTable]) -> None:
    """Tables as they were worked out for paper too."""
    for each in tables:
        shown = table(each.title, *each.headings, words=each.keys, note=each.note, fold=True)
        for row in each.rows_to_print:
            shown.add_row(*row)
        console.print(shown)


def progress() -> Progress:
    """A bar on stderr that leaves nothing behind."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    return Progress(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=screen(stderr=True), transient=True)


def _led(console: Console, first: str, style: str, rest: str) -> None:
    from rich.text import Text

    console.print(Text.assemble((first, style), rest))
