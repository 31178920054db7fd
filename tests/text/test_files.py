"""Files are read with a bound and written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from framematch.errors import InputError
from framematch.text.whole import ensure_folder, read_bytes, read_text, write_text, written_whole


def test_text_comes_back_without_its_byte_order_mark(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbftitle = 'caf\xc3\xa9'")
    assert read_text(tmp_path / "a.toml") == "title = 'café'"


def test_what_cannot_be_read_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "bad").write_bytes(b"ab\xff")
    (tmp_path / "big").write_bytes(b"x" * 101)
    os.mkfifo(tmp_path / "pipe")
    for name, words in (
        ("none", "no such file"),
        (".", r"^[^()]*: is a folder\. Name a file$"),
        ("bad", "byte 2 is not UTF-8"),
        ("pipe", r"^[^()]*: is not a plain file\. Name a file$"),
        ("a\0b", "can't be read"),
    ):
        with pytest.raises(InputError, match=words):
            read_text(tmp_path / name)
    assert len(read_bytes(tmp_path / "big", limit=101)) == 101
    with pytest.raises(InputError, match="is larger than"):
        read_bytes(tmp_path / "big", limit=100)


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    write_text(file, "one")
    with pytest.raises(RuntimeError), written_whole(file) as beside:
        beside.write_text("half")
        raise RuntimeError
    assert file.read_text() == "one" and os.listdir(tmp_path) == ["a.txt"]


def test_what_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for place in (tmp_path, tmp_path / "none" / "a.txt", tmp_path / "file" / "a.txt"):
        with pytest.raises(InputError):
            write_text(place, "x")
    with pytest.raises(InputError, match="can't be written to"):
        ensure_folder(tmp_path / "file" / "inner")
    ensure_folder(tmp_path / "new" / "inner")
    assert (tmp_path / "new" / "inner").is_dir()
    with pytest.raises(InputError, match="can't be written"), written_whole(tmp_path / "gone.txt") as beside:
        beside.unlink()
        raise OSError(28, "No space left on device")


def test_a_link_stays_a_link_and_what_it_leads_to_is_written(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "old.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to("there/old.txt")
    write_text(tmp_path / "link.txt", "new")
    assert (tmp_path / "link.txt").is_symlink() and (tmp_path / "there" / "old.txt").read_text() == "new"


def test_pipes_are_refused_and_stay(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="is a pipe or a device"):
        write_text(tmp_path / "pipe", "new")
    assert (tmp_path / "pipe").is_fifo() and len(list(tmp_path.iterdir())) == 1
