"""Day files: TOML that names a pairing and says what is flown, on what, in what light.

Every table but the pairing's name may be left out; the card then says what it can't know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from framematch.day.tables import DayFile
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.shot import parse_shot, read_shot
from framematch.geometry.pairing import Pairing
from framematch.shot.shot import Shot
from framematch.text.toml import parse_toml, validated
from framematch.text.whole import read_text


@dataclass(frozen=True, kw_only=True)
class Day:
    """A day file's contents, the pairing it names, and the gap's tables where there are any; mesh files are looked for in its folder."""

    file: DayFile
    pairing: Pairing
    gap: Shot | None = None
    folder: Path | None = None

    @property
    def title(self) -> str:
        """The day's, or else the pairing's."""
        return self.file.title or self.pairing.title

    def shown_in(self, system: str | None) -> Day:
        """The same day shown in ``metric`` or ``imperial`` units; None leaves it as the file says.

        Raises:
            InputError: another word.
        """
        if system is None:
            return self
        if system not in ("metric", "imperial"):
            raise InputError(f"{system!r} is no system of units", field="units", fix="use metric or imperial")
        return replace(self, file=self.file.model_copy(update={"units": system}))


def read_day(path: Path | str, *, kit: Path | str | None = None) -> Day:
    """The day in a TOML file; a pairing's own file is a day of which nothing else is known.

    Args:
        kit: a folder that the pairing may also take shared files from.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    text = read_text(path)
    data = parse_toml(text, name=str(path))
    if "pairing" not in data and ("recording" in data or "monitoring" in data):
        pairing = parse_pairing(text, name=str(path), folder=path.parent, kit=Path(kit) if kit else None)
        return Day(file=DayFile(pairing=path.name), pairing=pairing, gap=_gap(pairing, path, text))
    file = validated(DayFile, data, name=str(path))
    named = _beside(path, file.pairing, "pairing")
    pairing = read_pairing(named, kit=kit)
    gap = read_shot(pairing, _beside(path, file.gap, "gap"), named=True) if file.gap else _gap(pairing, named, read_text(named))
    return Day(file=file, pairing=pairing, gap=gap, folder=path.parent)


def _gap(pairing: Pairing, path: Path, text: str) -> Shot | None:
    """The shot that a pairing's file carries, if it names an opening."""
    told = parse_toml(text, name=str(path)).keys() & {"gap", "opening"}
    return parse_shot(pairing, text, name=str(path), folder=path.parent) if told else None


def _beside(path: Path, name: str, field: str) -> Path:
    try:
        return beside(path.parent, name, field=field)
    except InputError as error:
        raise error.within(file=str(path)) from None


def beside(folder: Path, name: str, *, field: str) -> Path:
    """A file that a day file names, in its own folder.

    Raises:
        InputError: it leads outside, or is not there.
    """
    named = (folder / name).resolve()
    if Path(name).is_absolute() or not named.is_relative_to(folder.resolve()):
        raise InputError(f"{name!r} leads outside the day file's folder", field=field, fix="keep the file beside the day file")
    if not named.exists():
        raise InputError(f"there is no file {name!r}", field=field, fix="check its name; it is looked for beside the day file")
    return named


def parse_day(text: str, *, pairing: Pairing, name: str = "day") -> Day:
    """The day in TOML text, with a pairing that is at hand already (its ``pairing`` key is not followed)."""
    data = parse_toml(text, name=name)
    data.setdefault("pairing", "at hand")
    return Day(file=validated(DayFile, data, name=name), pairing=pairing)
