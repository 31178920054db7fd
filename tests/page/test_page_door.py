"""Whom the page lets in, how much a visitor may leave with it, and what becomes of that when the visitor has gone."""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request
from types import SimpleNamespace

import pytest

from framematch.page import door
from framematch.page.door import announced, close_left, refusal

LOCAL = [("host", "127.0.0.1:8501")]


def scope(path: str = "/", headers=(), method: str = "GET") -> dict[str, object]:
    return {"type": "http", "method": method, "path": path, "headers": [(name.encode(), value.encode()) for name, value in headers]}


class Visitors:
    """Stands for Streamlit's runtime."""

    def __init__(self, **held_mb: float) -> None:
        self.here, self.closed = set(held_mb), []
        self.uploaded_file_mgr = SimpleNamespace(file_storage={name: {"a": SimpleNamespace(data=range(int(mb * 1e6)))} for name, mb in held_mb.items()})

    def is_active_session(self, session_id: str) -> bool:
        return session_id in self.here

    def close_session(self, session_id: str) -> None:
        self.closed.append(session_id)


@pytest.fixture
def visitors(monkeypatch):
    def put(**held_mb: float) -> Visitors:
        runtime = Visitors(**held_mb)
        monkeypatch.setattr(door.Runtime, "instance", lambda: runtime)
        return runtime

    return put


@pytest.mark.parametrize("host", ["localhost", "localhost:8501", "127.0.0.1:8501", "192.168.4.1:8501", "[::1]:8501", "[fe80::1]"])
def test_the_pages_own_names_are_let_in(host: str) -> None:
    assert announced(host) and refusal(scope(headers=[("host", host), ("origin", f"http://{host}")])) == (0, "")


@pytest.mark.parametrize("host", ["", "evil.example", "evil.example:8501", "127.0.0.1.evil.example:80", "localhost.evil.example", "none", "[::1", "a" * 5000])
def test_a_name_that_anybody_could_turn_here_is_refused(host: str) -> None:
    """Host and origin agree, as they do when somebody's name has been turned to this computer."""
    status, why = refusal(scope(headers=[("host", host), ("origin", f"http://{host}")]))
    assert status == 421 and "open it by the address" in why and len(why) < 300


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "http://127.0.0.1:9999", "http://127.0.0.1"])
def test_another_pages_requests_are_refused(origin: str) -> None:
    assert refusal(scope(headers=[*LOCAL, ("origin", origin)])) == (403, "Another page's requests are not served: open this page by itself.")


def test_uploads_are_bounded_for_each_visitor_and_for_all(visitors) -> None:
    def put(session: str, length: str) -> tuple[int, str]:
        return refusal(scope(f"/_stcore/upload_file/{session}/x", [*LOCAL, ("content-length", length)], "PUT"))

    visitors(one=300, two=10)
    assert put("one", "19000000") == (0, "")
    assert put("one", "21000000") == (413, "A visitor's uploads may take 320 MB together: take some out first.")
    assert put("two", "30000000") == (0, "")
    assert put("two", "")[0] == put("two", "-5")[0] == put("two", "9" * 5000)[0] == 411
    visitors(one=310, two=310)
    assert put("three", "30000000") == (413, "The page holds as many uploads as it can: try again when others have finished.")


def test_who_has_gone_is_closed_after_a_minute_and_who_comes_back_is_not(visitors, monkeypatch) -> None:
    monkeypatch.setattr(door, "_seen", {"stays": 0.0, "goes": 0.0, "comes back": 0.0})
    runtime = visitors(**{"stays": 0, "goes": 0, "comes back": 0})
    assert close_left(10.0) == 0
    runtime.here = {"stays"}
    assert close_left(60.0) == 0
    runtime.here = {"stays", "comes back"}
    assert close_left(75.0) == 1 and runtime.closed == ["goes"]
    assert set(door._seen) == {"stays", "comes back"}


def test_the_served_page_stands_behind_the_door(url: str) -> None:
    with urllib.request.urlopen(url, timeout=30) as answer:
        assert "frame-ancestors 'self'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
    for path, headers, status in (
        ("/", {"Host": "evil.example"}, 421),
        ("/_stcore/health", {"Origin": "http://evil.example"}, 403),
        ("/_stcore/metrics", {}, 404),
        ("/_stcore/agent/openapi.json", {}, 404),
    ):
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(urllib.request.Request(url + path, headers=headers), timeout=30)
        assert refused.value.code == status
    for headers, status in (
        ({"Origin": "http://evil.example"}, 403),
        ({"Host": "evil.example", "Origin": "http://evil.example"}, 403),
        ({"Origin": url}, 101),
    ):
        line = http.client.HTTPConnection(url.removeprefix("http://"), timeout=30)
        line.request(
            "GET",
            "/_stcore/stream",
            headers={
                "Connection": "Upgrade",
                "Upgrade": "websocket",
                "Sec-WebSocket-Version": "13",
                "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==",
                **headers,
            },
        )
        assert line.getresponse().status == status
        line.close()
