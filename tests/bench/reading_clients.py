"""Clients that look at a daemon: each asks one thing, waits a while, and asks the next.

`python -m tests.bench.reading_clients`, told on standard input what `Plan` holds as JSON, writes what came as JSON. It
is a process of its own, so that the clients' work is none of the daemon's.
"""

from __future__ import annotations

import asyncio
import json
import random
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import httpx

#: What is asked for, and of how many questions out of all.
FLEET, PROBE, RAW, DAILY = "fleet page", "a probe's year page", "a probe's year, raw", "a probe's year, daily"
_SHARES = {FLEET: 3, PROBE: 3, RAW: 1, DAILY: 3}
_ROWS = 10_000


@dataclass(frozen=True)
class Plan:
    """Who asks what: keys one a client, probes to choose from, seconds in all, and a client's mean pause between two.

    `since` is RFC 3339, where the year begins.
    """

    url: str
    keys: list[str]
    probes: list[str]
    since: str
    seconds: float
    pause_s: float
    seed: int = 1


@dataclass(frozen=True)
class Answer:
    """One answer: what was asked, its status, how long it took, and its size as it travelled."""

    what: str
    status: int
    seconds: float
    octets: int


class Clients:
    """The clients' process; `answers` waits for its end."""

    def __init__(self, plan: Plan) -> None:
        command = [sys.executable, "-m", "tests.bench.reading_clients"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(asdict(plan)).encode())
        self._process.stdin.close()

    def answers(self) -> list[Answer]:
        """Return every answer."""
        assert self._process.stdout is not None
        told = self._process.stdout.read()
        assert self._process.wait() == 0, "expected the clients to end well; their own words stand above"
        return [Answer(**one) for one in json.loads(told)]


async def _client(plan: Plan, number: int, cookies: dict[str, str], until_s: float, told: list[Answer]) -> None:
    chance = random.Random(plan.seed * 1000 + number)
    headers = {"Authorization": f"Bearer {plan.keys[number]}"}
    # Each keeps its connection, as a browser does.
    async with httpx.AsyncClient(base_url=plan.url, timeout=60.0, headers=headers, cookies=cookies) as http:
        asking: dict[str, Callable[[], tuple[str, dict[str, Any]]]] = {
            FLEET: lambda: ("/", {}),
            PROBE: lambda: (f"/probes/{chance.choice(plan.probes)}", {"days": 365}),
            RAW: lambda: _readings(plan, chance, "raw"),
            DAILY: lambda: _readings(plan, chance, "daily"),
        }
        await asyncio.sleep(chance.uniform(0, plan.pause_s))
        while time.monotonic() < until_s:
            (what,) = chance.choices([*_SHARES], [*_SHARES.values()])
            path, query = asking[what]()
            begun = time.perf_counter()
            async with http.stream("GET", path, params=query) as answer:
                octets = sum([len(part) async for part in answer.aiter_raw()])
            told.append(Answer(what, answer.status_code, time.perf_counter() - begun, octets))
            await asyncio.sleep(chance.uniform(0.5, 1.5) * plan.pause_s)


async def _cookie(plan: Plan) -> dict[str, str]:
    """Return the cookie of somebody who signed in: one session for all, since only so many a minute may begin."""
    async with httpx.AsyncClient(base_url=plan.url, timeout=60.0) as http:
        answer = await http.post("/sign-in", data={"key": plan.keys[0]}, headers={"Origin": plan.url})
        assert answer.status_code == 303, f"expected to be signed in, got {answer.status_code}"
        return dict(answer.cookies)


def look_once(plan: Plan, patience_s: float) -> None:
    """Return once the first page is there: the fleet is summed up for whoever looks first."""
    cookies, until_s = asyncio.run(_cookie(plan)), time.monotonic() + patience_s
    while httpx.get(plan.url, cookies=cookies, timeout=60.0).status_code != 200:
        assert time.monotonic() < until_s, f"expected the first page within {patience_s:g} s"
        time.sleep(1.0)


def _readings(plan: Plan, chance: random.Random, resolution: str) -> tuple[str, dict[str, Any]]:
    asked = {"probe": chance.choice(plan.probes), "since": plan.since, "limit": _ROWS, "resolution": resolution}
    return "/api/v1/readings", asked


async def _all(plan: Plan) -> list[Answer]:
    told: list[Answer] = []
    cookies = await _cookie(plan)
    until_s = time.monotonic() + plan.seconds
    await asyncio.gather(*(_client(plan, number, cookies, until_s, told) for number in range(len(plan.keys))))
    return told


def main() -> None:
    """Ask, and tell what came."""
    plan = Plan(**json.load(sys.stdin))
    sys.stdout.write(json.dumps([asdict(one) for one in asyncio.run(_all(plan))]))


if __name__ == "__main__":
    main()
