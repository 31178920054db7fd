"""The cautions, in one place: every sheet, page and command takes its own from here.

The usual ones of the trade (practice); local aviation rules and the licensed remote pilot come before all of them.
"""

from __future__ import annotations

RULES = (
    "Local aviation rules, permissions and the licensed remote pilot decide. Never fly over people; keep everyone who is not briefed for the shot well "
    "away from the aircraft."
)
PROPELLERS_AND_PACKS = (
    "Spinning propellers cut: off for all work on the bench, fitted last; unplug the pack before hands come near. "
    "Lithium packs burn: charge attended, retire swollen or knocked ones."
)
LEFT_OUT = "gusts, wash from walls, drift in position and anything that is not in the file"
#: Where a guide is handed over.
GUIDE: tuple[str, ...] = (
    "Guide lines help to aim a camera. They say nothing about whether a flight is safe or allowed.",
    RULES,
    PROPELLERS_AND_PACKS,
    "Lines are only as true as the lens and mount figures typed in. Check them on the rig (wall marks) after every knock, lens change or re-rig.",
)
#: Where a day is planned.
DAY: tuple[str, ...] = (
    RULES,
    PROPELLERS_AND_PACKS,
    "Where it could come down is a ballistic estimate, not a safety distance: no drag, no lift, level ground. Steady wind drift is in, gusts are not; nor are "
    "bounce and pieces, a burning pack, thrust lost on one side and a lost link: an aircraft under part power can go anywhere.",
    f"Times leave out cold and aged packs, hover corrections, {LEFT_OUT}. Land by the pack's voltage, not by this card.",
)
#: Where the room in an opening is worked out.
CLEARANCE = (
    f"Margins by these figures only. They leave out {LEFT_OUT}, the pilot's own line and swinging doors. {PROPELLERS_AND_PACKS} "
    f"Keep people away from the run and the opening, and fly it slowly first with nobody near. {RULES}"
)
