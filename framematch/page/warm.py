"""What the first visitor would wait for, done as soon as the server stands: the browser has its own start to do meanwhile."""

from __future__ import annotations

import inspect
import logging
import threading


def warm_up() -> None:
    """Import the page and pack what its first views need, in a thread of its own."""
    threading.Thread(target=_warm, name="framematch-warm", daemon=True).start()


def _warm() -> None:
    from framematch.page import main, session, views
    from framematch.page.address import AREAS, DISTANCES_M
    from framematch.page.draft import Draft
    from framematch.page.live_parts import path_of, rig_of, scene_of
    from framematch.page.opened import opened

    try:
        draft = Draft(text=next(iter(opened().values()), session.EXAMPLE))
        focals = views.focals_mm(draft.file.recording.focal_mm)
        rig_of(draft.pairing, (focals[0], focals[-1]) if focals else None)
        scene_of(draft.shot)
        path_of(draft.shot, DISTANCES_M)
        for name in ("pairing", main.ROOMS[AREAS[0]]):  # its files are in the page's head
            main.room(name)
        inspect.stack()  # Streamlit looks through all modules before it first shows something; what was seen here it skips
    except Exception as error:  # the visit itself says what is wrong
        logging.getLogger(__name__).info("nothing packed ahead: %s", error)
