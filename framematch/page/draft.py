"""A pairing being edited: its text, what was typed that does not fit yet, and what it was before.

A change that gives no pairing is kept waiting beside its field, with the reason; the text, and with it
everything on the page, stays as it was. What waits is tried again with every further change, so that
figures that only fit together (a sensor and its raster) can be typed one after the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from framematch.compare import Plan
from framematch.errors import InputError
from framematch.files.pairing import parse_file, parse_pairing
from framematch.files.pairing_tables import PairingFile
from framematch.files.shot import GapFile, parse_plan
from framematch.geometry.pairing import Pairing
from framematch.page.net import trouble
from framematch.render.keep import kept_by_value
from framematch.text.toml import changed_text, parse_toml, validated

STEPS_KEPT, HISTORY_BYTES = 50, 400_000
MOST_BYTES = 50_000  # a pairing with all its remarks has about five thousand; every change reads and rewrites the text
MOST_LINES = 5_000  # every change rewrites the text, line by line, while nobody else's page is drawn: 100 000 remarks take 8 s
GAP_KEY = "gap"
GAP_SIZE_M = (1.2, 0.9)
Values = Mapping[str, Any]  # by dotted key; None removes the key


@dataclass(frozen=True, kw_only=True)
class Draft:
    """What one visitor edits.

    Args:
        text: a pairing file's text; always one that reads.
        before: texts that it was, oldest first.
        waiting: changes that don't fit yet, by the key of the field they were typed in.
        faults: why, by the same keys.
    """

    text: str
    before: tuple[str, ...] = ()
    waiting: Mapping[str, Values] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)

    @property
    def can_undo(self) -> bool:
        """Whether there is anything to take back."""
        return bool(self.before or self.waiting)

    @property
    def file(self) -> PairingFile:
        """The text's contents."""
        return _file(self.text)

    @property
    def gap_file(self) -> GapFile:
        """The text's tables of a gap; a gap of our example if it has none."""
        return _gap_file(self.text)

    @property
    def has_gap(self) -> bool:
        """Whether the text says which gap."""
        return _has_gap(self.text)

    @property
    def plan(self) -> Plan:
        """The gap, the run and what goes with them."""
        return parse_plan(self.pairing, self.text, changes=None if self.has_gap else {"gap": {"size_m": list(GAP_SIZE_M)}})

    @property
    def pairing(self) -> Pairing:
        """The text's pairing."""
        return _pairing(self.text)


@kept_by_value(limit_bytes=8_000_000)
def _file(text: str) -> PairingFile:
    return parse_file(text)


@kept_by_value(limit_bytes=8_000_000)
def _pairing(text: str) -> Pairing:
    return parse_pairing(text)


@kept_by_value(limit_bytes=4_000_000)
def _has_gap(text: str) -> bool:
    return GAP_KEY in parse_toml(text, name="pairing")


@kept_by_value(limit_bytes=8_000_000)
def _gap_file(text: str) -> GapFile:
    tables = {key: value for key, value in parse_toml(text, name="pairing").items() if key in GapFile.model_fields}
    return validated(GapFile, {"gap": {"size_m": GAP_SIZE_M}, **tables}, name="pairing")


def checked(text: str, *, name: str = "pairing") -> Pairing:
    """The pairing in a text whose gap, if it has one, reads too."""
    pairing = parse_pairing(text, name=name)
    if GAP_KEY in parse_toml(text, name=name):
        parse_plan(pairing, text, name=name)
    return pairing


def changed(draft: Draft, key: str, values: Values) -> Draft:
    """The draft with something typed in a field: taken over if it fits, kept waiting with the reason if not.

    Args:
        key: of the field.
        values: that this means, the field's own among them.
    """
    waiting = {**draft.waiting, key: values}
    together = {k: v for group in waiting.values() for k, v in group.items()}
    text = _fitting(draft.text, together)
    if text is not None:
        return replace(_stepped(draft, text), waiting={}, faults={})
    text, rest = draft.text, waiting
    for each in (key, *draft.waiting):
        after = _fitting(text, rest[each]) if each in rest else None
        if after is not None:
            text, rest = after, {k: v for k, v in rest.items() if k != each}
    return replace(_stepped(draft, text), waiting=rest, faults={k: _fault(text, k, v) for k, v in rest.items()})


def undone(draft: Draft) -> Draft:
    """The draft before its last change; what waits counts as the last."""
    if draft.waiting:
        return replace(draft, waiting={}, faults={})
    if not draft.before:
        return draft
    return Draft(text=draft.before[-1], before=draft.before[:-1])


def loaded(draft: Draft, text: str) -> Draft:
    """The draft with another text in its place, which must read; the old one can be had back by undoing."""
    return _stepped(replace(draft, waiting={}, faults={}), text)


def text_from_upload(raw: bytes, *, name: str) -> str:
    """The text of an uploaded pairing file, which reads, with a title.

    Raises:
        InputError: it is too large, not UTF-8 or no pairing; the message says where.
    """
    if len(raw) > MOST_BYTES:
        raise InputError(f"is larger than {MOST_BYTES / 1000:g} kB", file=name, fix="this is not a pairing file")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"byte {error.start} is not UTF-8 text", file=name, fix="save the file as UTF-8") from None
    if text.count("\n") > MOST_LINES:
        raise InputError(f"has more than {MOST_LINES} lines", file=name, fix="this is not a pairing file")
    checked(text, name=name)
    if not parse_toml(text, name=name).get("title"):  # an untitled file is called after itself, here as on the command line
        text = changed_text(text, {"title": parse_file(text, name=name).title})
    return text


class _Same:
    """Changes that count as equal where they read alike, so that what was tried once is known."""

    def __init__(self, values: Values) -> None:
        self.values, self._read = values, repr(list(values.items()))

    def __hash__(self) -> int:
        return hash(self._read)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self._read == other._read


def _fitting(text: str, values: Values) -> str | None:
    return _tried(text, _Same(values))


@kept_by_value(limit_bytes=16_000_000)
def _tried(text: str, change: _Same) -> str | None:
    try:
        after = changed_text(text, change.values)
        checked(after)
    except Exception as error:
        trouble(error, "A change could not be tried")
        return None
    return after


def _stepped(draft: Draft, text: str) -> Draft:
    if text == draft.text:
        return draft
    before = (*draft.before, draft.text)[-STEPS_KEPT:]
    while sum(map(len, before)) > HISTORY_BYTES and len(before) > 1:
        before = before[1:]
    return replace(draft, text=text, before=before)


def _fault(text: str, key: str, values: Values) -> str:
    try:
        checked(changed_text(text, values))
    except InputError as error:
        about = "" if error.field.startswith(key) or key.startswith(error.field) else f"{error.field}: "
        fix = error.fix[:1].upper() + error.fix[1:]
        return " ".join(f"{about}{error.problem}. {fix}".split())
    except Exception as error:
        return trouble(error, "Can't be taken over")
    return "does not go with the others"
