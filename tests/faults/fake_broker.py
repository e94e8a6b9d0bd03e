"""A broker of our own that misbehaves when it is told to: MQTT 5 and 3.1.1, QoS 1, as many bytes of them as we need.

What real brokers show only by luck: sessions lost with packet ids that start anew, windows that leak, deliveries that
stall while the connection stands, acknowledgements lost on the way, connections cut in the middle of a packet.
Packets are those of MQTT 5.0 and 3.1.1 (OASIS), chapters 2 and 3.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections import deque
from dataclasses import dataclass, field

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, UNSUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 10, 12, 14
_CONNACK, _SUBACK, _UNSUBACK, _PINGRESP = 0x20, 0x90, 0xB0, 0xD0
_DUP = 0x08


@dataclass
class _Session:
    """What a broker keeps of a client; `inflight` holds what was sent and not acknowledged, by packet id."""

    pending: deque[tuple[str, bytes]] = field(default_factory=deque)
    inflight: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    filters: set[str] = field(default_factory=set)
    last_id: int = 0
    receive_maximum: int = 65_535


class FakeBroker:
    """Listens on a loopback port. `window` bounds what is sent ahead of acknowledgement, unless `leak` is told.

    `leak`: how many more messages each acknowledgement releases, whatever the window. `acknowledged` are the payloads
    that a client acknowledged; `lost` those that were in a session that was lost.
    """

    def __init__(self, *, window: int = 20, leak: int = 0) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = "127.0.0.1", int(self._listener.getsockname()[1])
        self.window, self.leak = window, leak
        self.acknowledged: list[bytes] = []
        self.lost: list[bytes] = []
        self.connections = 0
        self.deafness = 0
        self._lock = threading.RLock()
        self._sessions: dict[str, _Session] = {}
        self._clients: dict[str, _Client] = {}
        self._stalled: set[str] = set()
        threading.Thread(target=self._accept, name="fake broker", daemon=True).start()

    def publish(self, topic: str, payload: bytes) -> int:
        """Take a message as if a publisher had sent it; return how many sessions it is for."""
        with self._lock:
            taken = [client for client, told in self._sessions.items() if any(_matches(f, topic) for f in told.filters)]
            for client_id in taken:
                self._sessions[client_id].pending.append((topic, payload))
                self._send_on(client_id)
        return len(taken)

    @property
    def subscribed(self) -> bool:
        """Whether somebody is connected who has subscribed to something."""
        with self._lock:
            return any(self._sessions[client].filters for client in self._clients if client in self._sessions)

    def waiting(self) -> int:
        """Return how many messages no client has acknowledged yet."""
        with self._lock:
            return sum(len(session.pending) + len(session.inflight) for session in self._sessions.values())

    def unacknowledged(self) -> int:
        """Return how many messages were sent and not acknowledged."""
        with self._lock:
            return sum(len(session.inflight) for session in self._sessions.values())

    # Misbehaviour ----------------------------------------------------------------------------------------------------

    def lose_sessions(self) -> None:
        """Forget every session and hang up, as a broker without persistence that is restarted."""
        with self._lock:
            for session in self._sessions.values():
                self.lost += [payload for _, payload in (*session.inflight.values(), *session.pending)]
            self._sessions.clear()
            self.cut()

    def cut(self, *, in_a_packet: bool = False) -> None:
        """Hang up on everybody; in the middle of a packet if told."""
        with self._lock:
            for client in list(self._clients.values()):
                if in_a_packet:
                    client.write(_packet(0x32, _text("loamline/uplinks/cut") + b"\x00\x09\x00" + b"x" * 90)[:40])
                client.hang_up()

    def stall(self) -> None:
        """Deliver nothing more on the connections that stand; pings are answered."""
        with self._lock:
            self._stalled |= self._clients.keys()

    def be_deaf(self, acknowledgements: int) -> None:
        """Let the next acknowledgements get lost on the way."""
        with self._lock:
            self.deafness = acknowledgements

    def repeat(self) -> None:
        """Send once more, with DUP, what is not acknowledged, though the connection stands."""
        with self._lock:
            for client_id, client in self._clients.items():
                for packet_id, message in list(self._sessions[client_id].inflight.items()):
                    client.deliver(packet_id, *message, again=True)

    def close(self) -> None:
        """Leave."""
        self._listener.close()
        self.cut()

    # Protocol --------------------------------------------------------------------------------------------------------

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=_Client(self, connection).serve, daemon=True).start()

    def _welcome(self, client: _Client, receive_maximum: int, *, clean: bool) -> None:
        with self._lock:
            earlier = self._clients.pop(client.client_id, None)
            if earlier is not None:
                earlier.hang_up()
            self._stalled.discard(client.client_id)
            present = client.client_id in self._sessions and not clean
            session = self._sessions[client.client_id] if present else _Session()
            session.receive_maximum = receive_maximum
            self._sessions[client.client_id] = session
            self._clients[client.client_id] = client
            self.connections += 1
            client.write(_packet(_CONNACK, bytes([present, 0]) + client.no_properties))
            for packet_id, message in list(session.inflight.items()):
                client.deliver(packet_id, *message, again=True)
            self._send_on(client.client_id)

    def _gone(self, client: _Client) -> None:
        with self._lock:
            if self._clients.get(client.client_id) is client:
                del self._clients[client.client_id]

    def _subscribed(self, client: _Client, filters: list[str]) -> None:
        with self._lock:
            if client.client_id in self._sessions:
                self._sessions[client.client_id].filters |= set(filters)

    def _acknowledged(self, client: _Client, packet_id: int) -> None:
        with self._lock:
            session = self._sessions.get(client.client_id)
            if self.deafness or session is None:
                self.deafness = max(0, self.deafness - 1)
                return
            if packet_id in session.inflight:
                self.acknowledged.append(session.inflight.pop(packet_id)[1])
                self._send_on(client.client_id, more=self.leak)

    def _send_on(self, client_id: str, more: int = 0) -> None:
        """Deliver what the window allows; `more` messages though it does not."""
        session, client = self._sessions[client_id], self._clients.get(client_id)
        window = min(self.window, session.receive_maximum)
        while client is not None and client_id not in self._stalled and session.pending:
            if len(session.inflight) >= window:
                if not more:
                    return
                more -= 1
            session.last_id = session.last_id % 65_535 + 1
            session.inflight[session.last_id] = session.pending.popleft()
            client.deliver(session.last_id, *session.inflight[session.last_id])


class _Client:
    """One connection, read by a thread of its own."""

    def __init__(self, broker: FakeBroker, connection: socket.socket) -> None:
        self._broker, self._connection = broker, connection
        self._writing = threading.Lock()
        self.client_id, self.no_properties = "", b""

    def serve(self) -> None:
        """Answer until either side hangs up."""
        with contextlib.suppress(OSError, EOFError, IndexError, UnicodeDecodeError):
            while True:
                head, body = self._read()
                self._answer(head, body)
                if head >> 4 == DISCONNECT:
                    break
        self.hang_up()
        self._broker._gone(self)

    def write(self, packet: bytes) -> None:
        """Send; a client that is gone is found out by reading."""
        with self._writing, contextlib.suppress(OSError):
            self._connection.sendall(packet)

    def deliver(self, packet_id: int, topic: str, payload: bytes, *, again: bool = False) -> None:
        """Send a PUBLISH with QoS 1."""
        head = 0x32 | (_DUP if again else 0)
        self.write(_packet(head, _text(topic) + packet_id.to_bytes(2) + self.no_properties + payload))

    def hang_up(self) -> None:
        """Close the connection."""
        with contextlib.suppress(OSError):
            self._connection.shutdown(socket.SHUT_RDWR)
        self._connection.close()

    def _exactly(self, count: int) -> bytes:
        told = b""
        while len(told) < count:
            some = self._connection.recv(count - len(told))
            if not some:
                raise EOFError
            told += some
        return told

    def _read(self) -> tuple[int, bytes]:
        head, length, shift = self._exactly(1)[0], 0, 0
        while True:
            digit = self._exactly(1)[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if digit < 0x80:
                return head, self._exactly(length)

    def _answer(self, head: int, body: bytes) -> None:
        kind = head >> 4
        if kind == CONNECT:
            self._connect(body)
        elif kind == SUBSCRIBE:
            at, filters = self._after_properties(body, 2), []
            while at < len(body):
                told, at = _text_at(body, at)
                filters.append(told)
                at += 1
            # Subscribed first: what is published as soon as the client knows must come.
            self._broker._subscribed(self, filters)
            self.write(_packet(_SUBACK, body[:2] + self.no_properties + b"\x01" * len(filters)))
        elif kind == UNSUBSCRIBE:
            self.write(_packet(_UNSUBACK, body[:2] + self.no_properties + b"\x00" * bool(self.no_properties)))
        elif kind == PUBACK:
            self._broker._acknowledged(self, int.from_bytes(body[:2]))
        elif kind == PINGREQ:
            self.write(_packet(_PINGRESP, b""))
        elif kind == PUBLISH:
            topic, at = _text_at(body, 0)
            if head & 0x06:
                packet_id, at = body[at : at + 2], at + 2
                self.write(_packet(0x40, packet_id))
            self._broker.publish(topic, body[self._after_properties(body, at) :])

    def _connect(self, body: bytes) -> None:
        version, clean = body[6], bool(body[7] & 0x02)
        self.no_properties = b"\x00" if version == 5 else b""
        at, maximum = self._after_properties(body, 10), 65_535
        if version == 5 and (found := body[10:at].find(b"\x21", 1)) > 0:  # MQTT 5, 3.1.2.11.3: receive maximum
            maximum = int.from_bytes(body[10 + found + 1 : 10 + found + 3])
        self.client_id, _ = _text_at(body, at)
        self._broker._welcome(self, maximum, clean=clean)

    def _after_properties(self, body: bytes, at: int) -> int:
        """Return where the properties that begin at `at` end; their length takes one byte, as we send and get few."""
        return at + 1 + body[at] if self.no_properties else at


def _packet(head: int, body: bytes) -> bytes:
    length, digits = len(body), b""
    while True:
        length, digit = divmod(length, 128)
        digits += bytes([digit | (0x80 if length else 0)])
        if not length:
            return bytes([head]) + digits + body


def _text(text: str) -> bytes:
    return len(text.encode()).to_bytes(2) + text.encode()


def _text_at(body: bytes, at: int) -> tuple[str, int]:
    end = at + 2 + int.from_bytes(body[at : at + 2])
    return body[at + 2 : end].decode(), end


def _matches(told: str, topic: str) -> bool:
    """Return whether a topic filter lets a topic through (MQTT 5, 4.7)."""
    levels, parts = told.split("/"), topic.split("/")
    for number, level in enumerate(levels):
        if level == "#":
            return True
        if number >= len(parts) or level not in ("+", parts[number]):
            return False
    return len(levels) == len(parts)
