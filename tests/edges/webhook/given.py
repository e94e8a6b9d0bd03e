"""What the webhook's tests have in common: a secret, requests, and how an answer and a problem are read."""

from __future__ import annotations

import json
import socket
import time
from itertools import islice
from typing import Any

import httpx

from loamline.edges.webhook_signature import Guard, parse_secret, parse_token, sign
from tests.support.uplinks import fleet
from tests.support.webhook import Served

SECRET = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="  # noqa: S105 - the bytes 0 to 31
TOKEN = "0123456789abcdef0123456789abcdef"  # noqa: S105 - known to nobody else
CLOSED = Guard((parse_secret(SECRET),), (parse_token(TOKEN),))
NONE = {"read": 0, "accepted": 0, "duplicates": 0, "set_aside": 0, "unreadable": 0, "sentences": []}


def uplinks(count: int, seed: int = 5) -> list[dict[str, Any]]:
    return list(islice(fleet(seed), count))


def post(server: Served, body: Any, path: str = "/uplinks", **options: Any) -> httpx.Response:
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    return httpx.post(server.url + path, content=content, timeout=20, **options)


def signature(body: bytes, at_s: float | None = None, secret: str = SECRET) -> dict[str, str]:
    seconds = int(time.time() if at_s is None else at_s)
    told = {"webhook-id": "m-1", "webhook-timestamp": str(seconds)}
    return {**told, "webhook-signature": sign(secret, "m-1", seconds, body)}


def assert_problem(answer: httpx.Response, status: int, detail: str) -> None:
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert (answer.status_code, told["status"], told["detail"]) == (status, status, detail)
    where = f"{told['where']}: " if "where" in told else ""
    assert told["detail"] == f"{where}expected {told['expected']}, got {told['got']}"


def connected(server: Served) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.webhook.port), timeout=20)


def answer_of(connection: socket.socket) -> bytes:
    """Return all that comes until the other side hangs up; a reset counts as that."""
    told = b""
    try:
        while more := connection.recv(65_536):
            told += more
    except ConnectionResetError:
        pass
    return told
