"""Pairing files: TOML that people write, read with its shared files and its frame, changed in place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from framematch.errors import InputError
from framematch.files.pairing_tables import FrameTable, PairingFile
from framematch.geometry.pairing import Frame, Pairing
from framematch.text.toml import changed_text, parse_toml, validated
from framematch.text.whole import read_text, why, write_text

SHARED_TABLES = ("recording", "monitoring", "mount")
#: Tables of a shot that may stand in the same file; ``files.shot`` reads them.
SHOT_TABLES = ("place", "gap", "opening", "run", "aircraft", "subject", "lens", "second", "path", "flying")


def read_pairing(path: Path | str, *, kit: Path | str | None = None) -> Pairing:
    """The pairing in a TOML file.

    Args:
        path: the file.
        kit: a folder that ``use`` may also name files in, such as a crew's folder of cameras.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    return parse_pairing(read_text(path), name=str(path), folder=path.parent, kit=Path(kit) if kit else None)


def parse_pairing(text: str, *, name: str = "pairing", folder: Path | None = None, kit: Path | None = None) -> Pairing:
    """The pairing in TOML text.

    Args:
        text: TOML 1.0, keys as ``framematch init`` explains them.
        name: what errors call it.
        folder: where files that it names may be; without one it can't name any.
        kit: another folder for them.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    return pairing_in(parse_file(text, name=name, folder=folder, kit=kit), name=name, folder=folder, kit=kit)


def pairing_in(file: PairingFile, *, name: str = "pairing", folder: Path | None = None, kit: Path | None = None) -> Pairing:
    """The pairing that a file's contents describe; arguments and errors as of :func:`parse_pairing`."""
    try:
        return _with_fdl_frames(file.pairing(), file.recording.frame, folder=folder, kit=kit)
    except InputError as error:
        raise error.within(file=name) from None


def _with_fdl_frames(pairing: Pairing, tables: Sequence[FrameTable], *, folder: Path | None, kit: Path | None) -> Pairing:
    """The pairing with its frames from the FDL files that its tables name; one table that chooses none takes all."""
    frames = list(pairing.frames)
    for i, table in enumerate(tables):
        if table.fdl is not None:
            found = _fdl_frames(pairing, table, only=len(tables) == 1, folder=folder, kit=kit)
            own_name = table.name if len(found) == 1 else None
            frames[i : i + 1] = [replace(each, wander_percent=table.wander_percent, name=own_name or each.name) for each in found]
    if all(table.fdl is None for table in tables):
        return pairing
    framed = pairing.framed(frames)
    return framed if framed.others or tables[0].name else replace(framed, frame_name="")


def _fdl_frames(pairing: Pairing, table: FrameTable, *, only: bool, folder: Path | None, kit: Path | None) -> list[Frame]:
    from framematch.files.fdl import chosen, fitting, frame_of, read_framings

    if folder is None:
        raise InputError(
            "names a file, which can't be read from here",
            field="recording.frame.fdl",
            fix="leave that line out and take the FDL file in under Exchange; the frame's pixels then stand in the pairing itself",
        )
    path = _shared_path(str(table.fdl), field="recording.frame.fdl", name="", folder=folder, kit=kit)
    framings = read_framings(path)
    wanted = table.framing or ""
    taken = fitting(framings, pairing, wanted=wanted, name=str(path)) if only else [chosen(framings, pairing, wanted=wanted, name=str(path))]
    return [frame_of(pairing, each, name=str(path)) for each in taken]


def parse_file(text: str, *, name: str = "pairing", folder: Path | None = None, kit: Path | None = None) -> PairingFile:
    """The validated contents of a pairing file."""
    return file_in(parse_toml(text, name=name), name=name, folder=folder, kit=kit)


def file_in(data: Mapping[str, Any], *, name: str = "pairing", folder: Path | None = None, kit: Path | None = None) -> PairingFile:
    """The validated contents of a pairing file from its data."""
    data = {key: value for key, value in data.items() if key not in SHOT_TABLES}
    for table in SHARED_TABLES:
        if isinstance(data.get(table), dict) and "use" in data[table]:
            data[table] = _used(data[table], table, name=name, folder=folder, kit=kit)
    if not data.get("title"):
        data.setdefault("title", Path(name).stem)
    return validated(PairingFile, data, name=name)


def write_changed(path: Path, values: Mapping[str, Any]) -> None:
    """Change some values of a pairing file in place; the result must be a pairing, or nothing is written."""
    after = changed_text(read_text(path), values)
    parse_pairing(after, name=str(path), folder=path.parent)
    write_text(path, after)


def _used(table: dict[str, Any], which: str, *, name: str, folder: Path | None, kit: Path | None) -> dict[str, Any]:
    """A table with what the file named by ``use`` holds; keys beside ``use`` win."""
    path = _shared_path(table["use"], field=f"{which}.use", name=name, folder=folder, kit=kit)
    found = parse_toml(read_text(path), name=str(path))
    found = found[which] if set(found) == {which} and isinstance(found[which], dict) else found
    if "use" in found:
        raise InputError("a shared file can't use another", field="use", file=str(path), fix="write its keys out")
    return _merged(found, {k: v for k, v in table.items() if k != "use"})


def _shared_path(wanted: object, *, field: str, name: str, folder: Path | None, kit: Path | None) -> Path:
    """The file that a pairing names, in its own folder or the kit folder and nowhere else."""
    if not isinstance(wanted, str) or not wanted:
        raise InputError(f"{wanted!r} is not a file name", field=field, file=name, fix='write it as "cameras/wide.toml"')
    if folder is None:
        raise InputError("names another file, which can't be read from here", field=field, file=name, fix="copy that file's figures into the table")
    for root in (r.resolve() for r in (folder, kit) if r is not None):
        try:
            path = (root / wanted).resolve()
            there = path.exists()
        except (OSError, ValueError, RuntimeError) as error:  # RuntimeError: links that lead in a ring, before Python 3.13
            raise InputError(f"{wanted!r} can't be read ({why(error)})", field=field, file=name, fix="check that name") from None
        if Path(wanted).is_absolute() or not path.is_relative_to(root):
            raise InputError(
                f"{wanted!r} leads outside the pairing's folder", field=field, file=name, fix="keep shared files beside the pairing or in the kit folder"
            )
        if there:
            return path
    raise InputError(f"there is no file {wanted!r}", field=field, file=name, fix="check its name, or name the kit folder")


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    out = dict(under)
    for key, value in over.items():
        out[key] = _merged(out[key], value) if isinstance(value, dict) and isinstance(out.get(key), dict) else value
    return out
