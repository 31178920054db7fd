"""What a guide's sets of lines say to a pilot, in words: screen, page and paper say the same."""

from __future__ import annotations

from framematch.guide.report import Report
from framematch.guide.shown import metres


def change_words(report: Report) -> list[str]:
    """When to fly by which set of lines; nothing for a single set."""
    if not report.sets:
        return []
    rectangle, outline = report.sets_worst_error_percent
    lines = [
        f"Set {i}: for what is {metres(each.pairing.near_m)} to {metres(each.pairing.far_m)} away; off by up to "
        f"{each.guide.rectangle_worst_error_percent:.1f} % (outline {each.guide.outline_worst_error_percent:.1f} %)."
        for i, each in enumerate(report.sets, 1)
    ]
    changes = [f"from set {i + 1} to set {i} when what is filmed comes nearer than {metres(cut)}" for i, cut in reversed(list(enumerate(report.cuts_m, 1)))]
    one = report.guide
    return [
        *lines,
        f"Flying in, change {', then '.join(changes)}; flying out, the other way round.",
        f"All sets together are off by up to {rectangle:.1f} % (outline {outline:.1f} %); one set for the whole range by up to "
        f"{one.rectangle_worst_error_percent:.1f} % (outline {one.outline_worst_error_percent:.1f} %).",
    ]
