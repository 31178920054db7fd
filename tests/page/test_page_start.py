"""A new user's first minute: an empty home folder, closed standard input, a port that is taken, a plain kill."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from browser import ROOT, free_port

from framematch.cli.page import _addresses, _free_port
from framematch.errors import InputError
from framematch.files.starter import STARTER
from framematch.page.opened import bundle


def sockets_of(pids: set[int]) -> set[str]:
    """Remote addresses of every connected TCP and UDP socket of some processes, as Linux lists them."""
    inodes = set()
    for pid in pids:
        for link in Path(f"/proc/{pid}/fd").glob("*"):
            try:
                target = os.readlink(link)
            except OSError:
                continue
            if target.startswith("socket:["):
                inodes.add(target[8:-1])
    remote = set()
    for table in ("tcp", "tcp6", "udp", "udp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            words = line.split()
            if words[9] in inodes and words[2].split(":")[1] != "0000":
                remote.add(words[2].split(":")[0])
    return remote


def children(pid: int) -> set[int]:
    out = {pid}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(words[1]) in out:
            out.add(int(stat.parent.name))
    return out


@pytest.mark.parametrize("words", [[], ["--phone"]], ids=["alone", "phone"])
def test_it_serves_asks_nothing_reaches_nobody_and_ends_at_a_kill(tmp_path: Path, words: list[str]) -> None:
    port = free_port()
    (tmp_path / "rig.toml").write_text(STARTER.replace("Glasshouse pane, 18 mm", "Own rig"), encoding="utf-8")
    home = tmp_path / "home"
    home.mkdir()
    command = [sys.executable, "-m", "framematch", "page", "rig.toml", "--no-browser", "--port", str(port), *words]
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "PYTHONPATH": str(ROOT)}
    with open(tmp_path / "said", "w+", encoding="utf-8") as said:
        process = subprocess.Popen(command, cwd=tmp_path, env=environment, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT)
        try:
            reached: set[str] = set()
            for _ in range(600):
                reached |= sockets_of(children(process.pid))
                try:
                    with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2) as answer:
                        assert answer.read() == b"ok"
                        break
                except (urllib.error.URLError, OSError):
                    assert process.poll() is None
                    time.sleep(0.1)
            else:
                pytest.fail("it never served")
            reached |= sockets_of(children(process.pid))
            served = children(process.pid) - {process.pid}
            assert served
            own = {"00000000", "0100007F", "0" * 32, "0000000000000000FFFF00000100007F", "00000000000000000000000001000000"}
            assert reached <= own, reached
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)
        for _ in range(100):
            if not any(Path(f"/proc/{pid}").exists() and "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2][:3] for pid in served):
                break
            time.sleep(0.1)
        else:
            pytest.fail("something goes on after the kill")
        said.seek(0)
        text = said.read()
    assert "mail" not in text.lower() and "streamlit" not in text.lower() and f"127.0.0.1:{port}" in text
    if words and _addresses():
        assert f"http://{_addresses()[0]}:{port}" in text and "hotspot" in text


def test_the_next_free_port_is_taken() -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        taken = held.getsockname()[1]
        assert _free_port("127.0.0.1", taken) > taken


def test_files_that_are_no_pairing_are_refused_before_anything_is_served(tmp_path: Path) -> None:
    (tmp_path / "odd.toml").write_text("title = 3", encoding="utf-8")
    with pytest.raises(InputError, match=r"odd\.toml"):
        bundle([tmp_path / "odd.toml"])
    with pytest.raises(InputError, match="no such file"):
        bundle([tmp_path / "none.toml"])
