"""The control socket: whoever asks gets an answer or a sentence, and nobody who asks can hold the daemon up."""

from __future__ import annotations

import io
import json
import socket
import stat
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.app.ingest import make_log
from loamline.edges.control import LONGEST_PATH_BYTES, Caller, ControlError, ControlServer, socket_path
from loamline.edges.control_client import ControlClient
from tests.support.daemon import until


class Serving:
    """A server, and a thread that answers as the daemon's would: by `answer`, one request after the other."""

    def __init__(self, path: Path, answer: Callable[[Caller, dict[str, Any]], None], **options: Any) -> None:
        self.path, self._answer = path, answer
        self.log = io.StringIO()
        self.server = ControlServer(path, make_log("json", file=self.log), **options)
        self._enough = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        while not self._enough.wait(0.002):
            while (found := self.server.next_request()) is not None:
                self._answer(*found)

    def __enter__(self) -> Self:
        self.server.start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._enough.set()
        self._thread.join()
        self.server.close()


def echo(caller: Caller, told: dict[str, Any]) -> None:
    for step in range(told.get("steps", 0)):
        caller.progress({"part": "echoing", "done": step})
    caller.result(told)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return socket_path(tmp_path / "s.duckdb")


@pytest.fixture
def serving(path: Path) -> Iterator[Serving]:
    with Serving(path, echo) as told:
        yield told


def said(path: Path, content: bytes) -> list[dict[str, Any]]:
    """Return what is replied to `content`, up to the first reply."""
    with socket.socket(socket.AF_UNIX) as plain:
        plain.connect(str(path))
        plain.sendall(content)
        plain.settimeout(20)
        return [json.loads(plain.makefile("rb").readline())]


def test_progress_comes_before_the_result(serving: Serving) -> None:
    heard: list[dict[str, Any]] = []
    with ControlClient(serving.path) as client:
        assert client.answer("echo", heard.append, steps=3) == {"request": "echo", "steps": 3}
        assert [told["done"] for told in heard] == [0, 1, 2]
        assert client.answer("again") == {"request": "again"}


def test_the_socket_is_for_its_owner_alone_and_goes_with_the_daemon(path: Path) -> None:
    with Serving(path, echo):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_ISSOCK(path.stat().st_mode)
    assert not path.exists()


def test_what_a_killed_daemon_left_behind_is_replaced(path: Path) -> None:
    """The file of a socket stays when its process is killed; nobody listens there."""
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    with pytest.raises(OSError, match="refused"):
        ControlClient(path)
    with Serving(path, echo), ControlClient(path) as client:
        assert client.answer("echo") == {"request": "echo"}


def test_nobody_finds_the_socket_before_it_listens(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between bind and listen, a command would be refused as if the daemon were dead."""
    found: list[bool] = []

    class Watched(socket.socket):
        def listen(self, backlog: int = 0) -> None:
            found.append(path.exists())
            super().listen(backlog)

    monkeypatch.setattr(socket, "socket", Watched)
    with Serving(path, echo), ControlClient(path) as client:
        assert client.answer("echo") == {"request": "echo"}
    assert found == [False]
    assert not [*path.parent.iterdir()]


def test_a_file_that_is_no_socket_is_left_alone(path: Path) -> None:
    path.write_text("somebody's notes")
    server = ControlServer(path, make_log("json", file=io.StringIO()))
    with pytest.raises(
        ControlError, match=r"expected to make the control socket .*s\.duckdb\.socket, got a file that is no socket"
    ):
        server.start()
    server.close()
    assert path.read_text() == "somebody's notes"


def test_a_path_too_long_for_a_socket_is_told_in_a_sentence(tmp_path: Path) -> None:
    """sun_path holds 108 bytes with its NUL (unix(7))."""
    long = tmp_path / ("s" * (LONGEST_PATH_BYTES - len(str(tmp_path))))
    assert len(str(long)) == LONGEST_PATH_BYTES + 1
    with pytest.raises(
        ControlError, match=f"expected a path of at most 107 bytes for the control socket, got 108: {long}"
    ):
        ControlServer(long, make_log("json", file=io.StringIO())).start()
    with Serving(Path(str(long)[:-1]), echo) as longest, ControlClient(longest.path) as client:
        assert client.answer("echo") == {"request": "echo"}


@pytest.mark.parametrize(
    "content", [b"\n", b"no JSON\n", b"[1]\n", b'{"request": 3}\n', b"\xff\xfe\n", b"[" * 60_000 + b"\n"]
)
def test_what_is_no_request_is_answered_with_a_sentence(serving: Serving, content: bytes) -> None:
    (told,) = said(serving.path, content)
    assert told["error"].startswith('expected a line of JSON such as {"request": "status"}, got b')


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=200))
def test_no_bytes_keep_the_next_client_from_its_answer(serving: Serving, content: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as rude:
        rude.connect(str(serving.path))
        rude.sendall(content)
    with ControlClient(serving.path) as client:
        assert client.answer("echo") == {"request": "echo"}


def test_a_request_without_end_is_refused(path: Path) -> None:
    with Serving(path, echo, largest_request_bytes=1000) as serving:
        (told,) = said(serving.path, b"x" * 1001)
    assert told["error"] == "expected a request of at most 1000 bytes, got more; stop the daemon for this one"


def test_a_second_request_before_the_answer_is_refused(path: Path) -> None:
    asked = threading.Event()
    callers: list[Caller] = []

    def later(caller: Caller, _: dict[str, Any]) -> None:
        callers.append(caller)
        asked.set()

    with Serving(path, later), socket.socket(socket.AF_UNIX) as plain:
        plain.settimeout(20)
        plain.connect(str(path))
        replies = plain.makefile("rb")
        plain.sendall(b'{"request": "one"}\n{"request": "two"}\n')
        assert json.loads(replies.readline())["error"].startswith("expected one request at a time")
        assert asked.wait(20)
        callers[0].result("one")
        assert json.loads(replies.readline()) == {"result": "one"}
        assert len(callers) == 1


def test_clients_are_answered_side_by_side(path: Path) -> None:
    """The second one's answer does not wait for the first one's."""
    first: list[Caller] = []

    def answer(caller: Caller, told: dict[str, Any]) -> None:
        if told["request"] == "long":
            first.append(caller)
        else:
            caller.result("short")

    with Serving(path, answer), ControlClient(path) as one, ControlClient(path) as other:
        asked = one.ask("long")
        threading.Thread(target=lambda: until(lambda: first) or first[0].progress({"done": 1}), daemon=True).start()
        assert next(asked) == {"done": 1}
        assert other.answer("short") == "short"
        first[0].result("long")
        with pytest.raises(StopIteration) as end:
            next(asked)
        assert end.value.value == "long"


def test_progress_is_left_out_for_a_client_that_does_not_read_and_the_result_is_kept(path: Path) -> None:
    """Nothing piles up without bound, and what was asked for is told once somebody reads."""
    done = threading.Event()
    most: list[int] = []

    def talk(caller: Caller, _: dict[str, Any]) -> None:
        for step in range(20_000):
            caller.progress({"done": step, "filler": "x" * 100})
        most.append(len(caller._waiting))
        caller.result("told")
        done.set()

    with Serving(path, talk), socket.socket(socket.AF_UNIX) as plain:
        plain.connect(str(path))
        plain.sendall(b'{"request": "talk"}\n')
        assert done.wait(60)
        assert most[0] < 300_000
        plain.settimeout(20)
        lines = iter(plain.makefile("rb"))
        told = next(reply for line in lines if "progress" not in (reply := json.loads(line)))
        assert told == {"result": "told"}


def test_a_client_that_takes_nothing_is_dropped(path: Path) -> None:
    callers: list[Caller] = []

    def talk(caller: Caller, _: dict[str, Any]) -> None:
        callers.append(caller)
        caller.result("x" * 5_000_000)  # more than the kernel keeps for it

    with Serving(path, talk, patience_s=0.2) as serving, socket.socket(socket.AF_UNIX) as deaf:
        deaf.connect(str(path))
        deaf.sendall(b'{"request": "talk"}\n')
        until(lambda: callers and callers[0].gone)
        assert "dropped a command that takes no replies" in serving.log.getvalue()


def test_a_client_that_leaves_is_known_to_be_gone(path: Path) -> None:
    callers: list[Caller] = []
    with Serving(path, lambda caller, _: callers.append(caller)):
        with socket.socket(socket.AF_UNIX) as plain:
            plain.connect(str(path))
            plain.sendall(b'{"request": "long"}\n')
            until(lambda: callers)
        until(lambda: callers[0].gone)
        callers[0].result("nobody hears it")


def test_a_daemon_that_leaves_before_the_answer_is_told_in_a_sentence(path: Path) -> None:
    callers: list[Caller] = []
    with Serving(path, lambda caller, _: callers.append(caller)) as serving, ControlClient(path) as client:
        asked = client.ask("long")
        threading.Thread(target=lambda: until(lambda: callers) or serving.server.close(), daemon=True).start()
        with pytest.raises(ControlError, match="expected an answer from the daemon, but it left before"):
            next(asked)


def test_an_error_is_raised_with_the_daemons_sentence(path: Path) -> None:
    with (
        Serving(path, lambda caller, _: caller.error("expected this, got that")),
        ControlClient(path) as client,
        pytest.raises(ControlError, match="expected this, got that"),
    ):
        client.answer("anything")
