"""Reading what people hand over with a bound, and writing files whole or not at all."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from framematch.errors import InputError

TEXT_LIMIT = 1_000_000  # bytes; a pairing is about two thousand


def decoded(raw: bytes, *, name: str, most: int = TEXT_LIMIT, what: str = "file of ours") -> str:
    """The text of a file that was handed over as bytes.

    Args:
        most: bytes.
        what: it should be.

    Raises:
        InputError: it is larger, or not UTF-8.
    """
    if len(raw) > most:
        size = f"{most / 1e6:g} MB" if most >= 1_000_000 else f"{most / 1000:g} kB"
        raise InputError(f"is larger than {size}", file=name, fix=f"this is not {what}")
    return utf8(raw, name=name)


def read_text(path: Path, *, limit: int = TEXT_LIMIT) -> str:
    """The text of a UTF-8 file of at most ``limit`` bytes.

    Raises:
        InputError: missing, a folder, unreadable, too large or not UTF-8.
    """
    return utf8(read_bytes(path, limit=limit), name=str(path))


def utf8(raw: bytes, *, name: str) -> str:
    """The text in UTF-8 bytes, without a mark of their order.

    Raises:
        InputError: they are something else.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"byte {error.start} is not UTF-8 text", file=name, fix="save the file as UTF-8") from None


def read_bytes(path: Path, *, limit: int) -> bytes:
    """The bytes of a file of at most ``limit`` bytes, with the same errors as :func:`read_text`."""
    try:
        if os.path.isdir(path):  # unlike pathlib's, these answer for every name
            raise InputError("is a folder", file=str(path), fix="name a file")
        if os.path.exists(path) and not os.path.isfile(path):
            raise InputError("is not a plain file", file=str(path), fix="name a file")
        with path.open("rb") as stream:
            # Reading makes room for all it is asked for, so never ask for more than the file has.
            raw = stream.read(min(limit, os.fstat(stream.fileno()).st_size) + 1)
    except InputError:
        raise
    except FileNotFoundError:
        raise InputError("no such file", file=str(path), fix="check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise InputError(f"can't be read ({why(error)})", file=str(path), fix="check the file's rights") from None
    if len(raw) > limit:
        raise InputError(f"is larger than {limit / 1e6:g} MB", file=str(path), fix="this is not the kind of file expected here")
    return raw


def why(error: Exception) -> str:
    """The system's reason for refusing a file; a name with a zero byte has none of its own."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def ensure_folder(folder: Path) -> None:
    """Make a folder that files can be written to.

    Raises:
        InputError: it can't be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except FileExistsError:
        raise InputError("can't be written to: it is not a folder", file=str(folder), fix="choose another output folder") from None
    except (OSError, ValueError) as error:
        raise InputError(f"can't be written to ({why(error)})", file=str(folder), fix="choose another output folder") from None


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """While inside, no other process is inside for the same folder; the system itself lets go if this one is killed.

    Raises:
        InputError: another one is.
    """
    where, flags = folder, os.O_RDONLY
    if os.name == "nt":  # folders can't be locked there, so a file that stands for this one
        where = Path(tempfile.gettempdir()) / f"framematch-{hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]}.lock"
        flags = os.O_RDWR | os.O_CREAT
    handle = os.open(where, flags)
    try:
        try:
            _lock(handle)
        except (BlockingIOError, PermissionError):  # Windows says the second
            raise InputError("another run is at work in this folder", file=str(folder), fix="wait for it to end, or name another folder") from None
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    if os.name == "nt":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """A path beside ``path`` to write to; renamed to it at the end, removed if anything goes wrong.

    Raises:
        InputError: the file can't be written, or what has its name is not a file: a folder, a pipe, a device.
    """
    if os.path.exists(path) and not os.path.isfile(path):
        raise InputError("is a folder" if os.path.isdir(path) else "is a pipe or a device", file=str(path), fix="name a file to write")
    if os.path.islink(path):  # the file that it leads to is written, and the link stays
        path = Path(os.path.realpath(path))
    try:
        os.stat(path.parent / (path.name or "."))  # says at once what is wrong with a name
    except FileNotFoundError:
        pass
    except (OSError, ValueError) as error:
        raise InputError(f"can't be written ({why(error)})", file=str(path), fix="choose another name") from None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:40]}-", suffix=path.suffix[:20])
        os.close(handle)
    except OSError as error:
        raise InputError(f"can't be written ({why(error)})", file=str(path), fix="choose another output folder") from None
    beside = Path(name)
    try:
        yield beside
        umask = os.umask(0)
        os.umask(umask)
        beside.chmod(0o666 & ~umask)  # mkstemp's files are private
        os.replace(beside, path)
    except OSError as error:
        raise InputError(f"can't be written ({why(error)})", file=str(path), fix="check the space and rights there") from None
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text whole or not at all."""
    with written_whole(path) as beside:
        beside.write_text(text, encoding="utf-8")


def plain_name(title: str) -> str:
    """A file name from a title."""
    kept = "".join(c if c.isalnum() else "-" for c in title.lower())
    return "-".join(part for part in kept.split("-") if part)[:60] or "pairing"
