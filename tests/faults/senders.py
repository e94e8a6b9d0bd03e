"""A fleet that sends through a broker and a webhook until it is told to stop, whatever happens to the daemon."""

from __future__ import annotations

import json
import queue
import random
import threading
from typing import Any

import httpx

from loamline.edges.publisher import Publisher
from tests.support.mosquitto import Mosquitto
from tests.support.uplinks import as_bytes, fleet

TOPIC = "loamline/uplinks/chaos"
REPEATED = 0.1
#: Most uplinks go both ways; the others would hide it if the one way lost what the other brought.
BOTH, MQTT_ONLY, WEBHOOK_ONLY = "both", "mqtt", "webhook"
_ROUTES = (BOTH, BOTH, BOTH, MQTT_ONLY, WEBHOOK_ONLY)
_MOST_A_REQUEST = 40
_RETRY_S = 0.05


class Postman(threading.Thread):
    """Posts uplinks to a webhook, each until the answer is 200: what a sender that loses nothing does."""

    def __init__(self, url: str) -> None:
        super().__init__(name="postman", daemon=True)
        self._url = url
        self._uplinks: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self.answered: list[dict[str, Any]] = []
        self.tries_in_vain = 0
        self.problem: str | None = None

    def post(self, uplink: dict[str, Any]) -> None:
        """Have an uplink sent, some time."""
        self._uplinks.put(uplink)

    def run(self) -> None:
        """Send what there is, several in a request, until `finish`."""
        with httpx.Client(timeout=30) as client:
            while (first := self._uplinks.get()) is not None:
                several, last = [first], False
                while len(several) < _MOST_A_REQUEST and not self._uplinks.empty():
                    more = self._uplinks.get()
                    if more is None:
                        last = True
                        break
                    several.append(more)
                self._until_answered(client, several)
                if last or self.problem:
                    return

    def _until_answered(self, client: httpx.Client, several: list[dict[str, Any]]) -> None:
        body = json.dumps(several).encode()
        pause = threading.Event()
        while True:
            try:
                answer = client.post(self._url, content=body)
            except httpx.TransportError:
                answer = None
            if answer is not None and answer.status_code == 200:
                self.answered += several
                return
            if answer is not None and answer.status_code != 503:
                self.problem = f"expected 200 or 503, got {answer.status_code}: {answer.text[:200]}"
                return
            self.tries_in_vain += 1
            pause.wait(_RETRY_S)

    def finish(self, within_s: float = 3600) -> None:
        """Send what is left; raise AssertionError where that does not come to an end."""
        self._uplinks.put(None)
        self.join(timeout=within_s)
        if self.problem is not None or self.is_alive():
            raise AssertionError(self.problem or f"expected all to be answered within {within_s:g} s")


class Fleet(threading.Thread):
    """Sends the uplinks of `fleet(seed)` at a steady pace until stopped, about one in ten of them again."""

    def __init__(self, broker: Mosquitto, seed: int, *, per_second: float, webhook: str | None = None) -> None:
        super().__init__(name="fleet", daemon=True)
        self._broker, self._seed, self._per_second = broker, seed, per_second
        self._rng = random.Random(seed)
        self._enough = threading.Event()
        self.postman = None if webhook is None else Postman(webhook)
        self.sent: list[dict[str, Any]] = []
        #: Messages beyond the first of each uplink.
        self.again = 0
        self.problem: Exception | None = None

    def run(self) -> None:
        """Send; leaving the publisher waits for the broker's last acknowledgement."""
        if self.postman is not None:
            self.postman.start()
        try:
            with Publisher(host=self._broker.host, port=self._broker.port, protocol="5") as publisher:
                for uplink in fleet(self._seed):
                    if self._enough.wait(1 / self._per_second):
                        return
                    self.again += self._send(publisher, uplink) - 1
                    self.sent.append(uplink)
                    if self._rng.random() < REPEATED:
                        # At once, or long after: an uplink may come twice by many ways.
                        earlier = self.sent[-1 - min(self._rng.choice([0, 1, 30, 500]), len(self.sent) - 1)]
                        self.again += self._send(publisher, earlier)
        except Exception as problem:  # noqa: BLE001 - told by `finish`
            self.problem = problem

    def _send(self, publisher: Publisher, uplink: dict[str, Any]) -> int:
        """Send an uplink by one way or both; return how many messages that are."""
        if self.postman is None:
            publisher.publish(TOPIC, as_bytes(uplink))
            return 1
        route = self._rng.choice(_ROUTES)
        if route != WEBHOOK_ONLY:
            publisher.publish(TOPIC, as_bytes(uplink))
        if route != MQTT_ONLY:
            self.postman.post(uplink)
        return 2 if route == BOTH else 1

    def finish(self) -> None:
        """Stop sending; everything in `sent` is then acknowledged by the broker, or by the webhook, or both.

        A daemon has to be there for the webhook.
        """
        self._enough.set()
        self.join(timeout=40)
        if self.problem is not None or self.is_alive():
            raise AssertionError(f"expected the fleet to have sent everything, got {self.problem or 'no end'}")
        if self.postman is not None:
            self.postman.finish()
