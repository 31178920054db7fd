"""The page's colours for drawings made by the rooms above."""

from __future__ import annotations

from framematch.output.drawing import Inks
from framematch.page.look import Colours


def inks_of(colours: Colours) -> Inks:
    """The colours that a drawing of ours takes on the page's panels."""
    return Inks(ground=colours.panel, ink=colours.ink, quiet=colours.quiet, accent=colours.series[0], second=colours.series[1])
