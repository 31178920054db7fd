"""The recorded still laid into the monitoring still, as the pairing was and as it is measured."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres
from framematch.measure.goggles import undone
from framematch.measure.laid_in import laid_in
from framematch.measure.stills import Still
from framematch.page.look import block, paragraph
from framematch.page.measuring.found import jpeg
from framematch.page.measuring.show import remembered, whole

WIDTH_PX = 1400
_WAYS = {"beside": "both", "before": "before", "after": "after"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Laid:
    """Both pictures as JPEG files, the first empty if its pairing is for stills of another shape.

    Args:
        distance_m: that they are drawn for.
    """

    before: bytes
    after: bytes
    distance_m: float

    @property
    def nbytes(self) -> int:
        """About how much memory it takes."""
        return len(self.before) + len(self.after) + 500


def lay(before: Pairing, after: Pairing, recording: Still, monitoring: Still, distance_m: float) -> Laid:
    """Draw both."""
    from PIL import Image

    made = [
        jpeg(Image.fromarray(laid_in(p, recording, monitoring, distance_m, most_px=WIDTH_PX))) if _fits(p, recording, monitoring) else b""
        for p in (before, after)
    ]
    return Laid(before=made[0], after=made[1], distance_m=distance_m)


def _fits(pairing: Pairing, recording: Still, monitoring: Still) -> bool:
    sides = ((pairing.recording, recording), (pairing.monitoring, undone(monitoring, pairing)))
    return all(abs(s.size_px[0] / s.size_px[1] / (c.raster_px[0] / c.raster_px[1]) - 1) <= 0.005 for c, s in sides)


def show(laid: Laid, task: str, *, before: str, after: str) -> None:
    """The guide over the real still: both side by side, or one in the place of the other.

    Args:
        before, after: what to say of each.
    """
    st.html(
        block(
            "<h3>The guide over the real still</h3>"
            + paragraph(
                f"Every other check is the recorded still, laid in at {metres(laid.distance_m)}; the line is the frame there. "
                "Where the guide is right, edges run on from check to check without a step; things at other distances step.",
                "quiet",
            )
        )
    )
    if not laid.before:
        st.html(block(paragraph(f"{before} Not drawn, for it is for pictures of another shape.", "quiet") + whole(laid.after, after, _alt("after"), "still")))
        return
    way = remembered(f"measure:{task}:way", "beside", lambda key: st.radio("Show", list(_WAYS), format_func=_WAYS.__getitem__, horizontal=True, key=key))
    both = (("before", laid.before, before), ("after", laid.after, after))
    shown = [whole(picture, says, _alt(name)) for name, picture, says in both if way in (name, "beside")]
    st.html(block(f'<div class="laid {way}">{"".join(shown)}</div>'))


def _alt(name: str) -> str:
    return f"Monitoring still with the recorded still laid in, {name} the measurement."
