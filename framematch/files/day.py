"""Day files: TOML that names a pairing and says what is flown, on what, in what light.

Every table but the pairing's name may be left out; the card then says what it can't know.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from framematch.day import given
from framematch.day.given import Day
from framematch.errors import InputError
from framematch.files import day_tables as tables
from framematch.files.day_tables import DayFile
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.shot import airframe, parse_shot, read_shot
from framematch.geometry.pairing import Pairing
from framematch.shot.shot import Shot
from framematch.text.toml import Table, parse_toml, validated
from framematch.text.whole import read_text, why

_VALUE_OF: dict[type[Table], Callable[..., Any]] = {
    tables.AircraftTable: given.DayAircraft,
    tables.LoggedPitch: given.LoggedPitch,
    tables.LoggedFlight: given.LoggedFlight,
    tables.PackTable: given.DayPack,
    tables.AirTable: given.DayAir,
    tables.RunTable: given.DayRun,
    tables.ExposureTable: given.DayExposure,
    tables.CardTable: given.DayCard,
    tables.ShotTable: given.Takes,
    tables.PersonTable: given.Person,
    tables.WallTable: given.Wall,
    tables.PlaceTable: given.DayPlace,
}


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
        return Day(pairing=pairing, shot=_shot(pairing, path, text))
    file = validated(DayFile, data, name=str(path))
    named = _beside(path, file.pairing, "pairing")
    pairing = read_pairing(named, kit=kit)
    shot = read_shot(pairing, _beside(path, file.gap, "gap"), named=True) if file.gap else _shot(pairing, named, read_text(named))
    day = _day(file, pairing, shot)
    scene = day.place.scene
    if scene is None or "." not in scene:
        return day
    return replace(day, place=replace(day.place, mesh=_beside(path, scene, "place.scene")))


def _day(file: DayFile, pairing: Pairing, shot: Shot | None) -> Day:
    told = {name: _value(getattr(file, name)) for name in ("units", "aircraft", "pack", "air", "run", "exposure", "card", "shots", "people", "place")}
    return Day(pairing=pairing, shot=shot, name=file.title, transit_s=file.flights.transit_s, **told)


def _value(told: Any) -> Any:
    """A table's figures as the value of the day that they make."""
    if isinstance(told, tuple):
        return tuple(map(_value, told))
    if not isinstance(told, Table):
        return told
    figures = {name: _value(getattr(told, name)) for name in type(told).model_fields if name not in ("prop", "part")}
    if isinstance(told, tables.AircraftTable):
        figures["props"], figures["parts"] = airframe(told.prop, told.part)
    return _VALUE_OF[type(told)](**figures)


def _shot(pairing: Pairing, path: Path, text: str) -> Shot | None:
    """The shot that a pairing's file carries, if it names an opening."""
    told = parse_toml(text, name=str(path)).keys() & {"gap", "opening"}
    return parse_shot(pairing, text, name=str(path), folder=path.parent) if told else None


def _beside(path: Path, name: str, field: str) -> Path:
    try:
        return _named_in(path.parent, name, field=field)
    except InputError as error:
        raise error.within(file=str(path)) from None


def _named_in(folder: Path, name: str, *, field: str) -> Path:
    """A file that a day file names, in its own folder.

    Raises:
        InputError: it leads outside, or is not there.
    """
    try:
        named = (folder / name).resolve()
        there = named.exists()
    except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: links that lead in a ring, before Python 3.13
        raise InputError(f"{name!r} can't be read ({why(error)})", field=field, fix="check that name") from None
    if Path(name).is_absolute() or not named.is_relative_to(folder.resolve()):
        raise InputError(f"{name!r} leads outside the day file's folder", field=field, fix="keep the file beside the day file")
    if not there:
        raise InputError(f"there is no file {name!r}", field=field, fix="check its name; it is looked for beside the day file")
    return named


def parse_day(text: str, *, pairing: Pairing, name: str = "day") -> Day:
    """The day in TOML text, with a pairing that is at hand already (its ``pairing`` key is not followed)."""
    return _day(day_file_in(text, name=name), pairing, None)


def day_file_in(text: str, *, name: str = "day") -> DayFile:
    """The tables of a day in TOML text that need not name its pairing."""
    data = parse_toml(text, name=name)
    data.setdefault("pairing", "at hand")
    return validated(DayFile, data, name=name)
