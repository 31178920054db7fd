"""A guide checked from two stills of one moment."""

from __future__ import annotations

import io
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.page import session
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.patience import patiently
from framematch.pairing import Pairing
from framematch.report import metres

MOST_MB = 32


def area(pairing: Pairing, colours: Colours, pulse: Any) -> None:
    """Stills in, how far the guide is off and the aim that mends it out."""
    st.html(
        block(
            "<h2>Check the guide from two stills</h2>"
            + paragraph("One still from each camera, taken at one moment, of any scene with plain detail. They are looked at here and kept nowhere.", "quiet")
        )
    )
    left, right, far = st.columns([1, 1, 0.7])
    kinds = ["png", "jpg", "jpeg", "tif", "tiff"]
    with left:
        recording = st.file_uploader(
            f"Recording camera's still (up to {MOST_MB} MB)", kinds, key="measure:r", max_upload_size=MOST_MB, help="The whole recorded picture, not cropped."
        )
    with right:
        monitoring = st.file_uploader(
            f"Monitoring camera's still (up to {MOST_MB} MB)", kinds, key="measure:m", max_upload_size=MOST_MB, help="The whole picture of the camera."
        )
    with far:
        distance = st.number_input(
            "Distance in the middle, m", 0.2, 1000.0, None, 0.1, key="measure:d", help="To what is in the middle of the frame, if known; 0.2 to 1000."
        )
    if recording is None or monitoring is None:
        st.html(block(paragraph("Lenses and mount are measured from stills of a printed chart with the command line: framematch measure.", "quiet")))
        return
    try:
        checked, picture = patiently(
            partial(_checked, pairing, (recording.name, recording.getvalue()), (monitoring.name, monitoring.getvalue()), distance), pulse
        )
    except InputError as error:
        st.html(block(paragraph(f"Can't tell: {error}", "fault")))
        return
    _say(checked, picture)


def _checked(pairing: Pairing, recording: tuple[str, bytes], monitoring: tuple[str, bytes], distance_m: float | None) -> tuple[Any, bytes]:
    from framematch.measure.check import check_guide
    from framematch.measure.laid_in import before_after_picture
    from framematch.measure.stills import read_still

    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        stills = []
        for kind, (name, content) in (("recording", recording), ("monitoring", monitoring)):
            path = Path(folder) / f"{kind}{Path(name).suffix.lower()}"
            path.write_bytes(content)
            stills.append(read_still(path, colour=True))
    checked = check_guide(pairing, stills[0], stills[1], distance_m=distance_m)
    out = io.BytesIO()
    before_after_picture(checked, stills[0], stills[1]).convert("RGB").save(out, "JPEG", quality=85)
    return checked, out.getvalue()


def _say(checked: Any, picture: bytes) -> None:
    from framematch.measure.into_file import checked_changes

    rows = [[f.name, f"{f.value:+.2f}", f"± {f.half_95:.2f}"] for f in checked.figures]
    off = "; ".join(f"{percent:.1f} % at {metres(at)}" for at, percent in checked.off_percent)
    st.html(
        block(
            paragraph(f"The guide as it is: off by {off} of the frame.", "big")
            + paragraph(
                f"{checked.agreed} of {checked.matches} details agree. After the correction the guide is known to ± {checked.known_percent:.1f} % of the frame."
            )
            + table(["figure", "found", "95 %"], rows, caption="The mount that the stills show")
        )
    )
    st.image(picture, caption="Before and after: the recorded frame laid into the wide picture", width="stretch")
    changes = checked_changes(checked.before, checked.after)
    st.button("Use this aim in the pairing", on_click=session.change, args=("mount.aim_deg", changes), key="measure:use", help="Undo brings the old aim back.")
