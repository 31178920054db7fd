"""Whatever is typed or lies in a folder ends in one line: exit code 2 for what people can mend, 1 for a fault of ours."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from browser import ROOT

import framematch.cli
from framematch.errors import InputError, visible
from framematch.files.starter import STARTER

LONG = "a" * 300


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(STARTER)
    Path("rigs").mkdir()
    Path("rigs/one.toml").write_text(STARTER)
    Path("ring").symlink_to("ring")
    os.mkfifo("pipe")
    for name, used in (("zero", "a\\u0000b"), ("long", LONG), ("round", "ring")):
        Path(f"{name}.toml").write_text(STARTER.replace("[recording] ", f'[recording]\nuse = "{used}"\n'))
    return tmp_path


@pytest.fixture
def run(here, monkeypatch, capsys):
    def call(*arguments: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["framematch", *arguments])
        with pytest.raises(SystemExit) as ended:
            framematch.cli.main()
        return int(ended.value.code or 0), capsys.readouterr().err.strip()

    return call


SINCE_313 = sys.version_info >= (3, 13)  # whose pathlib takes a ring of links for nothing, and searches any pattern

CASES = {
    "a name too long": (["angles", LONG], "can't be read (File name too long)"),
    "a ring of links": (["angles", "ring"], "can't be read (Too many levels of symbolic links)"),
    "a zero in use": (["angles", "zero.toml"], "recording.use: 'a\\x00b' can't be read"),
    "a long use": (["angles", "long.toml"], "can't be read (File name too long). Check that name"),
    "a ring in use": (["angles", "round.toml"], "recording.use: there is no file 'ring'" if SINCE_313 else "recording.use: 'ring' can't be read"),
    "a long name to write": (["guide", "rig.toml", "--json", LONG], "can't be written (File name too long). Choose another name"),
    "a pipe to write": (["guide", "rig.toml", "--json", "pipe"], "pipe: is a pipe or a device. Name a file to write"),
    "a sheet into a pipe": (
        ["sheet", "rig.toml", "--out", "pipe"],
        "pipe: is a pipe or a device. Name a file to write",
    ),  # never try a real device: as root it would go
    "a file for a folder": (["guide", "rig.toml", "--out", "rig.toml"], "rig.toml: can't be written to: it is not a folder. Choose another output folder"),
    "no jobs": (["set", "rigs", "--out", "o", "--jobs", "0"], "jobs: 0 at once. Give a number such as 2, or -1 for every core"),
    "a size of nothing": (["set", "rigs", "--out", "o", "--size", "nanx1"], "--size: 'nanx1' is not a valid size. Write width x height, such as 1280x720"),
    "an endless size": (["set", "rigs", "--out", "o", "--size", "1e400x1"], "--size: '1e400x1' is not a valid size"),
    "a wall far off": (["wall", "rig.toml", "--at", "1e300"], "wall: 1e+300 m is not a distance to a wall. Give metres beyond both lenses, to 1000, such as 3"),
    "a lens as long as the world": (["lenses", "rig.toml", "--gap", "1.2x0.9", "--focal", "1e300"], "--focal: '1e300' is out of range. Give 0.001 to 10000"),
    "an odd pattern": (
        ["measure", "lens", "x**/*", "--chart", "A4", "--out", "o"],
        "x**/*: no file fits this pattern" if SINCE_313 else "x**/*: is not a pattern that can be searched",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_what_can_be_mended_is_one_line(run, case: str) -> None:
    arguments, says = CASES[case]
    code, said = run(*arguments)
    assert code == 2 and says in said and "\n" not in said
    assert Path("pipe").is_fifo()


def test_a_time_for_all_files_that_is_none(run, monkeypatch) -> None:
    for given in ("x", "1e9", "-5", "9" * 40):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", given)
        code, said = run("sheet", "rig.toml", "--out", "s.pdf")
        assert code == 2 and "SOURCE_DATE_EPOCH" in said and "Give it in whole seconds since 1970" in said
    assert not Path("s.pdf").exists()


def test_a_fault_of_ours_says_so_and_where_its_details_are(run, monkeypatch) -> None:
    def breaks(*_, **__):
        raise KeyError("a secret \x1b[2J")

    monkeypatch.setattr("framematch.files.pairing.read_pairing", breaks)
    monkeypatch.delenv("FRAMEMATCH_FAULTS")
    code, said = run("angles", "rig.toml")
    assert code == 1 and said.startswith("framematch: this is a fault of ours, not of your files (KeyError). The details are in ")
    details = Path(said.rpartition(" in ")[2])
    assert "in breaks" in details.read_text() and "angles" in details.read_text()
    details.unlink()
    for error, says, expected in ((MemoryError(), "not enough memory", 1), (PermissionError(13, "Permission denied", "x"), "x: can't be used (Permission", 2)):
        monkeypatch.setattr("framematch.files.pairing.read_pairing", lambda *_, error=error, **__: (_ for _ in ()).throw(error))
        code, said = run("angles", "rig.toml")
        assert code == expected and says in said and "\n" not in said


def test_tests_see_the_traceback(here, monkeypatch) -> None:
    monkeypatch.setattr("framematch.files.pairing.read_pairing", lambda *_, **__: 1 / 0)
    monkeypatch.setattr(sys, "argv", ["framematch", "angles", "rig.toml"])
    with pytest.raises(ZeroDivisionError):
        framematch.cli.main()


def test_what_steers_a_terminal_is_shown(run, here) -> None:
    assert visible("a\x1b[31mb\x07\x9b2J\u202e\tc\n") == "a␛[31mb␇\ufffd2J\ufffd\tc\n"
    assert "\x1b" not in str(InputError("\x1b]0;gone\x07", field="\x1b[2J", fix="\x9b", file="\x1bc"))
    Path("\x1b[2Jrig.toml").write_text(STARTER.replace("Glasshouse pane", "\\u001b[2J\\u0007pane"))
    done = subprocess.run(
        [sys.executable, "-P", "-m", "framematch", "guide", "\x1b[2Jrig.toml", "--out", "o"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}, capture_output=True, text=True, timeout=60, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout + done.stderr and "\x07" not in done.stdout and "␛[2Jpane" in done.stdout


def test_a_full_device_and_a_terminal_without_our_signs(here) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii"}
    command = [sys.executable, "-P", "-m", "framematch", "angles", "rig.toml"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and "118.0" in done.stdout, done.stderr
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, env=environment, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 2 and done.stderr == "framematch: output: can't be used (No space left on device). Check name, rights and space\n"
