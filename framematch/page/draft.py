"""A pairing being edited: its text, what was typed that does not fit yet, and what it was before.

A change that gives no pairing is kept waiting beside its field, with the reason; the text, and with it
everything on the page, stays as it was. What waits is tried again with every further change, so that
figures that only fit together (a sensor and its raster) can be typed one after the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from framematch.errors import InputError
from framematch.files.day import day_file_in, parse_day
from framematch.files.day_tables import DayFile
from framematch.files.pairing import file_in, pairing_in
from framematch.files.pairing_tables import PairingFile
from framematch.files.shot import ShotFile, shot_file, shot_of
from framematch.geometry.pairing import Pairing
from framematch.page import scans
from framematch.page.net import trouble
from framematch.render.keep import kept_by_value
from framematch.shot.shot import Shot
from framematch.text.toml import changed_text, parse_toml
from framematch.text.whole import decoded

STEPS_KEPT, HISTORY_BYTES = 50, 400_000
MOST_BYTES = 50_000  # a pairing with all its remarks has about five thousand; every change reads and rewrites the text
MOST_LINES = 5_000  # every change rewrites the text, line by line, while nobody else's page is drawn: 100 000 remarks take 8 s
Values = Mapping[str, Any]  # by dotted key; None removes the key; keys that start with "day." are of the day file


class Texts(NamedTuple):
    """A pairing's file, a day's and a kit's; the last two empty as long as nobody has made one."""

    pairing: str
    day: str = ""
    kit: str = ""


DAY = "day."


@dataclass(frozen=True, kw_only=True, eq=False)
class Contents:
    """What a text says, read once: its tables, which fields show, and the values, which everything else is worked out from.

    Args:
        titled: whether it has a title of its own.
    """

    file: PairingFile
    pairing: Pairing
    shot_file: ShotFile
    shot: Shot
    titled: bool


def contents(text: str, *, name: str = "pairing") -> Contents:
    """Everything in a text.

    Raises:
        InputError: it is not a pairing, or its shot's tables do not read.
    """
    data = parse_toml(text, name=name)
    file, shot_tables = file_in(data, name=name), shot_file(data, name=name)
    pairing = pairing_in(file, name=name)
    own_mesh = shot_tables.place is not None and shot_tables.place.file is not None
    try:
        shot = shot_of(pairing, shot_tables, folder=scans.folder() if own_mesh else None)
        return Contents(file=file, pairing=pairing, shot_file=shot_tables, shot=shot, titled=bool(data.get("title")))
    except InputError as error:
        raise error.within(file=name) from None


_contents = kept_by_value(limit_bytes=24_000_000)(contents)


@dataclass(frozen=True, kw_only=True)
class Draft:
    """What one visitor edits.

    Args:
        text: a pairing file's text; always one that reads.
        day, kit: texts of a day file and of a kit; empty as long as nobody has made one.
        before: all texts as they were, oldest first.
        after: all as they were before undoing, the next to come back last.
        waiting: changes that don't fit yet, by the key of the field they were typed in.
        faults: why, by the same keys.
    """

    text: str
    day: str = ""
    kit: str = ""
    before: tuple[Texts, ...] = ()
    after: tuple[Texts, ...] = ()
    waiting: Mapping[str, Values] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)

    @property
    def texts(self) -> Texts:
        """All that can be undone together."""
        return Texts(self.text, self.day, self.kit)

    @property
    def can_undo(self) -> bool:
        """Whether there is anything to take back."""
        return bool(self.before or self.waiting)

    @property
    def file(self) -> PairingFile:
        """The pairing's tables."""
        return _contents(self.text).file

    @property
    def shot_file(self) -> ShotFile:
        """The shot's tables."""
        return _contents(self.text).shot_file

    @property
    def day_shot(self) -> Shot | None:
        """The shot that the day flies, where the text tells how fast."""
        return self.shot if "run" in self.shot_file.model_fields_set and "speed_m_s" in self.shot_file.run.model_fields_set else None

    @property
    def day_linked(self) -> str:
        """The day's text to be saved, with what :meth:`~framematch.day.given.Day.flown_as` takes from the shot; as it is if it does not read."""
        shot = self.day_shot
        if shot is None or (self.day and self.day_file is None):
            return self.day
        values: Values = {"run.speed_m_s": shot.run.speed_m_s}
        if shot.aircraft is not None and self.day_file is not None and self.day_file.aircraft is not None:
            values = {**values, "aircraft.camera_tilt_deg": shot.aircraft.camera_tilt_deg}
        return changed_text(self.day, values)

    @property
    def day_file(self) -> DayFile | None:
        """The day's tables; None without a day, or with a text that does not read."""
        return _day_file(self.day) if self.day else None

    @property
    def pairing(self) -> Pairing:
        """The text's pairing."""
        return _contents(self.text).pairing

    @property
    def shot(self) -> Shot:
        """Where and how it is flown; with an opening always, our scene's own if the text names none."""
        return _contents(self.text).shot


@kept_by_value(limit_bytes=4_000_000)
def _day_file(text: str) -> DayFile | None:
    try:
        return day_file_in(text)
    except InputError:
        return None


def checked(text: str) -> Pairing:
    """The pairing in a text that reads as a whole."""
    return _contents(text).pairing


def changed(draft: Draft, key: str, values: Values) -> Draft:
    """The draft with something typed in a field: taken over if it fits, kept waiting with the reason if not.

    Args:
        key: of the field.
        values: that this means, the field's own among them.
    """
    waiting = {**draft.waiting, key: _placed(draft, values)}
    together = {k: v for group in waiting.values() for k, v in group.items()}
    texts = _fitting(draft.texts, together)
    if texts is not None:
        return replace(_stepped(draft, texts), waiting={}, faults={})
    texts, rest = draft.texts, waiting
    for each in (key, *draft.waiting):
        after = _fitting(texts, rest[each]) if each in rest else None
        if after is not None:
            texts, rest = after, {k: v for k, v in rest.items() if k != each}
    return replace(_stepped(draft, texts), waiting=rest, faults={k: _fault(texts, k, v) for k, v in rest.items()})


def undone(draft: Draft) -> Draft:
    """The draft before its last change; what waits counts as the last."""
    if draft.waiting:
        return replace(draft, waiting={}, faults={})
    if not draft.before:
        return draft
    return _at(draft.before[-1], before=draft.before[:-1], after=(*draft.after, draft.texts))


def redone(draft: Draft) -> Draft:
    """The draft before the last undoing."""
    if not draft.after:
        return draft
    return _at(draft.after[-1], before=(*draft.before, draft.texts), after=draft.after[:-1])


def _at(texts: Texts, *, before: tuple[Texts, ...], after: tuple[Texts, ...]) -> Draft:
    return Draft(text=texts.pairing, day=texts.day, kit=texts.kit, before=before, after=after)


def loaded(draft: Draft, text: str | None = None, *, day: str | None = None, kit: str | None = None) -> Draft:
    """The draft with another pairing, day or kit in its place, which must read; the old one can be had back by undoing."""
    given = {name: value for name, value in (("pairing", text), ("day", day), ("kit", kit)) if value is not None}
    return _stepped(replace(draft, waiting={}, faults={}), draft.texts._replace(**given))


def text_from_upload(raw: bytes, *, name: str) -> str:
    """The text of an uploaded pairing file, which reads, with a title.

    Raises:
        InputError: it is too large, not UTF-8 or no pairing; the message says where.
    """
    text = decoded(raw, name=name, most=MOST_BYTES, what="a pairing file")
    if text.count("\n") > MOST_LINES:
        raise InputError(f"has more than {MOST_LINES} lines", file=name, fix="this is not a pairing file")
    found = contents(text, name=name)
    # An untitled file is called after itself, here as on the command line.
    return text if found.titled else changed_text(text, {"title": found.file.title})


def _placed(draft: Draft, values: Values) -> Values:
    """Changes of the opening under the keys that it has in this text, all of it written out where the text had none."""
    if not any(key.startswith("gap.") for key in values):
        return values
    if draft.shot_file.opening:
        return {key.replace("gap.", "opening.", 1): value for key, value in values.items()}
    if draft.shot_file.gap is not None:
        return values
    own = draft.shot.opening
    return {"gap.size_m": [own.width_m, own.height_m], "gap.shape": own.shape, "gap.thickness_m": own.thickness_m, "gap.sill_m": own.sill_m, **values}


class _Same:
    """Changes that count as equal where they read alike, so that what was tried once is known."""

    def __init__(self, values: Values) -> None:
        self.values, self._read = values, repr(list(values.items()))

    def __hash__(self) -> int:
        return hash(self._read)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self._read == other._read


def _fitting(texts: Texts, values: Values) -> Texts | None:
    return _tried(texts, _Same(values))


@kept_by_value(limit_bytes=16_000_000)
def _tried(texts: Texts, change: _Same) -> Texts | None:
    try:
        return _changed(texts, change.values)
    except Exception as error:
        trouble(error, "A change could not be tried")
        return None


def _changed(texts: Texts, values: Values) -> Texts:
    """The texts with values changed, read again where they were."""
    half = next((key for key, value in values.items() if isinstance(value, list) and None in value), None)
    if half is not None:
        raise InputError("is half given", field=half.removeprefix(DAY), fix="give its other figure too")
    own = {key: value for key, value in values.items() if not key.startswith(DAY)}
    of_day = {key.removeprefix(DAY): value for key, value in values.items() if key.startswith(DAY)}
    if own:
        texts = texts._replace(pairing=changed_text(texts.pairing, own))
        checked(texts.pairing)
    if of_day:
        parse_toml(texts.day, name="day")  # may be being typed
        texts = texts._replace(day=changed_text(texts.day, of_day))
        parse_day(texts.day, pairing=checked(texts.pairing))
    return texts


def _stepped(draft: Draft, texts: Texts) -> Draft:
    if texts == draft.texts:
        return draft
    before = (*draft.before, draft.texts)[-STEPS_KEPT:]
    while sum(sum(map(len, each)) for each in before) > HISTORY_BYTES and len(before) > 1:
        before = before[1:]
    return replace(draft, text=texts.pairing, day=texts.day, kit=texts.kit, before=before, after=())


def _fault(texts: Texts, key: str, values: Values) -> str:
    key = key.removeprefix(DAY)
    try:
        _changed(texts, values)
    except InputError as error:
        about = "" if error.field.startswith(key) or key.startswith(error.field) else f"{error.field}: "
        fix = error.fix[:1].upper() + error.fix[1:]
        return " ".join(f"{about}{error.problem}. {fix}".split())
    except Exception as error:
        return trouble(error, "Can't be taken over")
    return "does not go with the others"
