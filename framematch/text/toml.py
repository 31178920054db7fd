"""TOML text in, with errors that teach; TOML text back, as people left it."""

from __future__ import annotations

import difflib
import pickle
import threading
import tomllib
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, ClassVar, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError
from pydantic_core import PydanticCustomError

from framematch.errors import InputError
from framematch.text.units import metric

_MOST_DOTS = 100  # in a line: the standard library's reader needs memory with the square of a dotted key's length


class Table(BaseModel):
    """A table of a file: unknown keys are refused, and nothing changes it once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)  # a model inside another is not built by itself
    also: ClassVar[tuple[str, ...]] = ()  # keys that the reader has dealt with before a table is checked


Model = TypeVar("Model", bound=Table)


def one_of(names: Sequence[str]) -> AfterValidator:
    """A check that text is one of some names, which the code keeps elsewhere."""

    def check(value: str) -> str:
        if value not in names:
            *most, last = map(repr, names)
            raise PydanticCustomError("one_of", "Input should be {names}", {"names": " or ".join(filter(None, (", ".join(most), last)))})
        return value

    return AfterValidator(check)


def parse_toml(text: str, *, name: str) -> dict[str, Any]:
    """TOML text as plain data, feet and ounces turned into each key's own unit, with one-line errors."""
    if any(line.count(".") > _MOST_DOTS for line in text.splitlines()):
        raise InputError(f"is not TOML: a line with more than {_MOST_DOTS} dots", file=name, fix="correct the file")
    try:
        return metric(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not TOML: {error}", file=name, fix="correct that line") from None
    except InputError as error:
        raise error.within(file=name) from None
    except (ValueError, RecursionError):
        raise InputError("is not TOML: a number too long or tables nested too deep", file=name, fix="correct the file") from None


def validated(model: type[Model], data: object, *, name: str) -> Model:
    """Data checked against a model; the first fault becomes an :class:`InputError`."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise _explain(error, model, data).within(file=name) from None


def changed_text(text: str, values: Mapping[str, Any]) -> str:
    """TOML text with some values changed or added, everything else (comments, order) as it was.

    Args:
        values: by dotted key, such as ``{"mount.aim_deg.tilt": 0.4}``, a number picking one of a list of tables
            (``opening.0.sill_m``), the first if there is none; None removes a key.
    """
    import tomlkit
    from tomlkit.items import InlineTable

    document = _documents.take(text)
    for key, value in values.items():
        *tables, last = key.split(".")
        place: Any = document
        for table in tables:
            if isinstance(place, list):
                place = place[int(table) if table.isdigit() else 0]
                if table.isdigit():
                    continue
            if table not in place:
                place[table] = tomlkit.inline_table() if table in ("offset_mm", "aim_deg", "angle_deg", "distortion") else tomlkit.table()
            place = place[table]
        if isinstance(place, list):
            place = place[0]
        if value is None:
            place.pop(last, None)
        elif isinstance(value, dict) and not isinstance(place, InlineTable):
            inline = tomlkit.inline_table()
            inline.update(value)
            place[last] = inline
        else:
            place[last] = list(value) if isinstance(value, tuple) else value
    after = tomlkit.dumps(document)
    _documents.keep(after, document)
    return after


class _Documents:
    """Texts as documents that can be changed, kept packed: to unpack one takes a sixth of reading it anew."""

    _MOST_BYTES = 6_000_000

    def __init__(self) -> None:
        self._lock, self._packed = threading.Lock(), OrderedDict[str, bytes]()

    def take(self, text: str) -> Any:
        """A document of one's own."""
        import tomlkit

        with self._lock:
            packed = self._packed.get(text)
        return tomlkit.parse(text) if packed is None else pickle.loads(packed)

    def keep(self, text: str, document: Any) -> None:
        """Have a text's document at hand; the oldest go."""
        packed = pickle.dumps(document)
        with self._lock:
            self._packed[text] = packed
            while sum(map(len, self._packed.values())) > self._MOST_BYTES:
                self._packed.popitem(last=False)


_documents = _Documents()


def _explain(error: ValidationError, model: type[Table], data: object) -> InputError:
    faults = error.errors(include_url=False)
    first = next((fault for fault in faults if fault["type"] == "extra_forbidden"), faults[0])  # a misspelt key is also a missing one
    loc = _place(first["loc"], data)
    field, kind, value = ".".join(loc), first["type"], first.get("input")
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, InputError):
        return cause.within(prefix=field)
    if kind == "extra_forbidden":
        return InputError("unknown key", field=field, fix=nearest_word(loc[-1], _fields_at(model, loc[:-1]), "allowed here:"))
    about = _description(model, loc)
    if kind == "missing":
        return InputError("is missing", field=field, fix=f"give {about}" if about else "add it")
    shown = repr(value) if not isinstance(value, dict) else "a table"
    if kind == "value_error":
        return InputError(str(cause), field=field)
    reason = first["msg"].removeprefix("Input ")
    return InputError(f"{shown[:80]} {reason}", field=field, fix=f"give {about}" if about else "")


def _place(loc: tuple[int | str, ...], data: object) -> list[str]:
    """Where a fault lies as people count: a table that may repeat has no number where it stands once."""
    out = []
    for part in loc:
        if isinstance(part, int) and isinstance(data, dict):
            continue
        if isinstance(part, int) and isinstance(data, list) and part < len(data) and isinstance(data[part], dict):
            out.append(str(part + 1))
        else:
            out.append(str(part))
        if isinstance(data, list) and isinstance(part, int):
            data = data[part] if part < len(data) else None
        elif isinstance(data, dict):
            data = data.get(part)
    return out


def nearest_word(word: str, allowed: Iterable[str], otherwise: str) -> str:
    """A fix that names the allowed word closest to one typed, or else all of them."""
    names = sorted(allowed)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    return f"did you mean {close[0]!r}?" if close else f"{otherwise} {', '.join(names)}"


def _fields_at(model: type[Table], loc: list[str]) -> list[str]:
    for part in loc:
        if part.isdigit():  # which one of a list
            continue
        inner = _model_of(model.model_fields[part].annotation) if part in model.model_fields else None
        if inner is None:
            break
        model = inner
    return [*model.model_fields, *model.also]


def _description(model: type[Table], loc: list[str]) -> str:
    about = ""
    for part in loc:
        if part.isdigit():  # which one of a list
            continue
        if part not in model.model_fields:
            break
        about = model.model_fields[part].description or about
        inner = _model_of(model.model_fields[part].annotation)
        if inner is None:
            break
        model = inner
    return about


def _model_of(annotation: Any) -> type[Table] | None:
    for candidate in (annotation, *getattr(annotation, "__args__", ())):
        if isinstance(candidate, type) and issubclass(candidate, Table):
            return candidate
    return None
