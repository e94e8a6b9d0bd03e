"""The real daemon with several ways in at once: brokers and the webhook, all into one store, each uplink once."""

from __future__ import annotations

import json
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest

from loamline.core.lorawan.cipher import frm_payload_cipher
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline.edges.webhook_signature import sign
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import Mosquitto, a_broker, free_port
from tests.support.uplinks import as_bytes, fleet, import_at_once, raw_key, raw_log, readings, registered_store

SECRET = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="  # noqa: S105 - the bytes 0 to 31
TOPIC = "loamline/uplinks"
MAPS = Path(__file__).parents[2] / "replay_fixtures" / "envelopes"


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """Return a function that starts a daemon on this test's store; whatever is left of them is killed at the end."""
    lives: list[Daemon] = []

    def started(broker: Mosquitto | None, *flags: str) -> Daemon:
        lives.append(Daemon(broker, tmp_path / "s.duckdb", *flags))
        return lives[-1]

    yield started
    for daemon in lives:
        daemon.kill()


@pytest.fixture
def brokers(tmp_path: Path) -> Iterator[tuple[Mosquitto, Mosquitto]]:
    """Two brokers that know nothing of each other."""
    with ExitStack() as both:
        made = []
        for name in ("one", "other"):
            (tmp_path / name).mkdir()
            made.append(both.enter_context(a_broker(tmp_path / name)))
        yield made[0], made[1]


def uplinks(count: int, seed: int = 1) -> list[dict[str, Any]]:
    return list(islice(fleet(seed), count))


def secret_file(folder: Path, content: str = SECRET) -> Path:
    path = folder / "secrets"
    path.write_text(content + "\n")
    path.chmod(0o600)
    return path


def listening(daemon: Daemon) -> str:
    return str(daemon.wait_for("listening")["url"]) + "/uplinks"


def post(url: str, body: bytes, secret: str | None = None) -> httpx.Response:
    headers = {}
    if secret is not None:
        seconds = int(time.time())
        code = sign(secret, "m-1", seconds, body)
        headers = {"webhook-id": "m-1", "webhook-timestamp": str(seconds), "webhook-signature": code}
    return httpx.post(url, content=body, headers=headers, timeout=30)


def publish(broker: Mosquitto, told: list[tuple[str, bytes]]) -> None:
    with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
        for topic, body in told:
            publisher.publish(topic, body)


def settings_file(folder: Path, content: str) -> str:
    path = folder / "loamline.toml"
    path.write_text(content)
    return str(path)


@pytest.mark.broker
def test_the_same_uplinks_by_two_brokers_and_the_webhook_are_stored_once(
    brokers: tuple[Mosquitto, Mosquitto], tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """All three at the same time, in different orders; what comes of it is what one import comes to."""
    one, other = brokers
    store, sent = tmp_path / "s.duckdb", uplinks(240)
    import_at_once(tmp_path / "file.duckdb", sent)
    registered_store(store).close()
    config = settings_file(
        tmp_path,
        f"""
        [[brokers]]
        port = {one.port}
        topics = ["{TOPIC}/a/#", "{TOPIC}/b/#"]
        [[brokers]]
        port = {other.port}
        protocol = "3.1.1"
        topics = ["{TOPIC}/#"]
        [webhook]
        port = 0
        secrets_file = "{secret_file(tmp_path)}"
        """,
    )
    daemon = start(None, "--config", config)
    url = listening(daemon)
    until(lambda: len(daemon.told("subscribed")) == 3)
    bodies = [as_bytes(uplink) for uplink in sent]
    with ThreadPoolExecutor() as senders:
        halves = [(f"{TOPIC}/{'ab'[number % 2]}/x", body) for number, body in enumerate(bodies)]
        published = [
            senders.submit(publish, one, halves),
            senders.submit(publish, other, [(f"{TOPIC}/c", body) for body in reversed(bodies)]),
        ]
        lists = [b"[" + b",".join(bodies[first : first + 7]) + b"]" for first in range(0, 240, 7)]
        answers = [post(url, body, SECRET) for body in lists]
        for done in published:
            done.result()
    until(lambda: daemon.committed("read") == 720)
    assert daemon.terminate() == 0
    assert {answer.status_code for answer in answers} == {200}
    assert sum(answer.json()["read"] for answer in answers) == 240
    assert daemon.committed("duplicates") == 480
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}
    assert readings(store).equals(readings(tmp_path / "file.duckdb"))
    # Nothing is left at either broker: each was acknowledged what it had sent.
    again = start(None, "--config", config)
    until(lambda: len(again.told("subscribed")) == 3)
    assert again.terminate() == 0
    assert again.told("stopped")[0]["read"] == 0


@pytest.mark.broker
def test_under_anothers_topic_an_uplink_is_kept_and_told_but_not_stored(
    brokers: tuple[Mosquitto, Mosquitto], tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """With `dev_eui_level` the topic says for whom its publisher may speak."""
    store, (first, second) = tmp_path / "s.duckdb", uplinks(2)
    daemon = start(brokers[0], "--topic", f"{TOPIC}/#", "--dev-eui-level", "3")
    daemon.wait_for("subscribed")
    own, anothers = f"{TOPIC}/{first['dev_eui']}", f"{TOPIC}/{first['dev_eui'].lower()}"
    publish(brokers[0], [(own, as_bytes(first)), (anothers, as_bytes(second))])
    until(lambda: daemon.committed("read") == 2)
    assert daemon.terminate() == 0
    assert [line["sentence"] for line in daemon.told("rejected")] == [
        f"{anothers}: expected the payload's DevEUI to be the topic's, {first['dev_eui']}, got {second['dev_eui']}"
    ]
    assert raw_log(store) == {raw_key(first): 1}
    with Store.open(store) as opened:
        assert opened.con.sql("SELECT content FROM rejected_message").fetchall() == [(as_bytes(second),)]


def test_a_webhook_alone_needs_no_broker(tmp_path: Path, start: Callable[..., Daemon]) -> None:
    """Told by one flag; SIGTERM answers what waits and leaves with 0."""
    store, sent = tmp_path / "s.duckdb", uplinks(3)
    daemon = start(None, "--webhook-port", "0", "--batch-milliseconds", "1500")
    url = listening(daemon)
    with ThreadPoolExecutor() as senders:
        answers = [senders.submit(post, url, as_bytes(uplink)) for uplink in sent]
        time.sleep(0.5)
        assert daemon.terminate() == 0
        told = [answer.result() for answer in answers]
    assert [answer.status_code for answer in told] == [200] * 3
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}
    assert not daemon.told("broker unreachable, trying again")


def test_a_map_reads_what_is_posted_and_what_it_does_not_read_is_noted_with_it(
    tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """A network server's own JSON, by the name of a map in a folder."""
    daemon = start(None, "--webhook-port", "0", "--webhook-envelope", "nested", "--maps", str(MAPS))
    url = listening(daemon)
    mapped, canonical = post(url, (MAPS / "nested.json").read_bytes()), post(url, as_bytes(uplinks(1)[0]))
    assert daemon.terminate() == 0
    expected = json.loads((MAPS / "nested.uplinks.json").read_text())
    counts = mapped.json()
    assert counts["accepted"] + counts["set_aside"] == counts["read"] == len(expected)
    assert (canonical.status_code, canonical.json()["unreadable"]) == (200, 1)
    with Store.open(tmp_path / "s.duckdb") as opened:
        assert opened.con.sql("SELECT kind FROM rejected_message").fetchall() == [("map nested",)]


def test_what_is_enciphered_is_read_with_the_keys_file_and_no_key_is_shown(
    tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """By TS002, under the standard's own path; a probe without a key is kept and answered with its code."""
    key = bytes(range(16))
    keys = secret_file(tmp_path, f"dev_eui,app_s_key\n02BB000000000001,{key.hex()}")
    payload = bytes.fromhex("01073A05DCA025002A")
    request = {
        "ProtocolVersion": "1.1",
        "SenderID": "600002",
        "ReceiverID": "soil.example",
        "TransactionID": 1,
        "MessageType": "XmitDataReq",
        "FRMPayload": frm_payload_cipher(key, 0x01020304, 70_000, payload).hex(),
        "ULMetaData": {"DevEUI": "02BB000000000001", "DevAddr": "01020304", "FPort": 10, "FCntUp": 70_000},
    }
    stranger = {**request, "ULMetaData": {**request["ULMetaData"], "DevEUI": "02BB000000000002"}}  # type: ignore[dict-item]
    daemon = start(None, "--webhook-port", "0", "--keys", str(keys))
    url = listening(daemon).replace("/uplinks", "/ts002")
    known, unknown = (post(url, json.dumps(told).encode()) for told in (request, stranger))
    assert daemon.terminate() == 0
    assert (known.status_code, known.json()["Result"]) == (200, {"ResultCode": "Success"})
    assert (unknown.status_code, unknown.json()["Result"]["ResultCode"]) == (200, "UnknownDevEUI")
    assert raw_log(tmp_path / "s.duckdb") == {("02BB000000000001", 70_000, payload): 1}
    assert key.hex() not in (daemon.log.read_text() + unknown.text).lower()


def test_a_map_that_is_not_there_is_told_before_anything_starts(loamline: Callable[..., Any], tmp_path: Path) -> None:
    sentence = told(loamline, tmp_path, "--webhook-envelope", "another", "--maps", str(MAPS))
    assert "'another'; it holds flat, gateways, nested" in sentence


KILLS_ITSELF_BEFORE_ANSWERING = """
import os, signal, sys, threading
from pathlib import Path
from loamline.app.ingest import Ingest, make_log
from loamline.app.ways_in import ways_in
from loamline.edges.intake import Intake
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import Settings

log, away = make_log("json"), threading.Event()
settings = Settings.model_validate({"store": sys.argv[1], "webhook": {"port": int(sys.argv[2])}})
source = ways_in(settings, store_away=away, log=log)
source.acknowledge = lambda deliveries: os.kill(os.getpid(), signal.SIGKILL)
Ingest(store=settings.store, codecs=builtin_codecs(), source=source, log=log, store_away=away).run()
"""


def test_killed_between_commit_and_answer_the_sender_sends_again_and_it_is_stored_once(
    tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """The first try ends without an answer; whoever got none can't know, and must not have to."""
    store, sent = tmp_path / "s.duckdb", uplinks(5)
    port = free_port()
    dying = subprocess.Popen([sys.executable, "-c", KILLS_ITSELF_BEFORE_ANSWERING, str(store), str(port)])
    until(lambda: reachable(port))
    body = b"[" + b",".join(map(as_bytes, sent)) + b"]"
    with pytest.raises(httpx.TransportError):
        post(f"http://127.0.0.1:{port}/uplinks", body)
    assert dying.wait(timeout=20) == -signal.SIGKILL
    assert sum(raw_log(store).values()) == 5
    daemon = start(None, "--webhook-port", "0")
    again = post(listening(daemon), body)
    assert (again.status_code, again.json()["duplicates"]) == (200, 5)
    assert daemon.terminate() == 0
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def reachable(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_killed_at_random_moments_nothing_that_was_answered_is_lost_and_nothing_doubled(
    tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """A sender that sends each uplink until it is answered with 2xx, through four lives of the daemon."""
    store, sent, port = tmp_path / "s.duckdb", uplinks(150), free_port()
    url, answered = f"http://127.0.0.1:{port}/uplinks", []
    enough = threading.Event()

    def send_all() -> None:
        for uplink in sent:
            while not enough.is_set():
                try:
                    if post(url, as_bytes(uplink)).status_code == 200:
                        answered.append(uplink)
                        break
                except httpx.TransportError:
                    time.sleep(0.02)

    sender = threading.Thread(target=send_all)
    sender.start()
    try:
        for life in range(3):
            daemon = start(None, "--webhook-port", str(port), "--batch-milliseconds", "10")
            until(lambda life=life: len(answered) >= min(25 * (life + 1), len(sent)))  # type: ignore[misc]
            daemon.kill()
        daemon = start(None, "--webhook-port", str(port))
        until(lambda: len(answered) == len(sent))
        assert daemon.terminate() == 0
    finally:
        enough.set()
        sender.join()
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def test_on_a_full_disk_the_answer_is_503_and_once_there_is_room_it_is_taken(
    tmp_path: Path, start: Callable[..., Daemon]
) -> None:
    """The daemon may write no file longer than the store's log is, as on a disk without room; then it may again."""
    store, sent = tmp_path / "s.duckdb", uplinks(40)
    daemon = start(None, "--webhook-port", "0")
    url = listening(daemon)
    assert post(url, as_bytes(sent[0])).status_code == 200
    unlimited = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
    full = store.with_name("s.duckdb.wal").stat().st_size
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (full, unlimited[1]))
    rest = b"[" + b",".join(map(as_bytes, sent[1:])) + b"]"
    refused = post(url, rest)
    assert refused.status_code == 503
    assert int(refused.headers["retry-after"]) > 0
    assert refused.json()["detail"].startswith("expected the store to be open, got none")
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, unlimited)
    until(lambda: post(url, rest).status_code == 200, within_s=30)
    assert daemon.terminate() == 0
    assert raw_log(store) == {raw_key(uplink): 1 for uplink in sent}


def told(loamline: Callable[..., Any], folder: Path, *flags: str) -> str:
    """Return the sentence with which the daemon does not even start; exit code 2."""
    done = loamline("ingest", "--store", folder / "s.duckdb", *flags)
    assert done.exit_code == 2, done.output
    assert not (folder / "s.duckdb").exists()
    return str(done.stderr).strip()


def test_open_to_the_network_it_does_not_start_without_a_secret(loamline: Callable[..., Any], tmp_path: Path) -> None:
    assert told(loamline, tmp_path, "--webhook-host", "192.0.2.7") == (
        "settings in the flags: webhook: expected secrets_file, secrets, token_file or token beside host 192.0.2.7, "
        "which other machines can reach, got none of them"
    )


def test_a_secret_that_can_not_be_used_is_told_by_its_setting_and_not_shown(
    loamline: Callable[..., Any], tmp_path: Path
) -> None:
    """For others to read, or too short."""
    path = secret_file(tmp_path, "whsec_c2hvcnQ=")
    short = told(loamline, tmp_path, "--webhook-port", "0", "--webhook-secrets-file", str(path))
    assert short.startswith("webhook.secrets_file: expected whsec_ and the base64 of 24 to 64 bytes, got 5 bytes; ")
    assert "c2hvcnQ" not in short
    path.chmod(0o644)
    open_to_all = told(loamline, tmp_path, "--webhook-port", "0", "--webhook-token-file", str(path))
    assert open_to_all.startswith(f"webhook.token_file: expected {path} to be readable by its owner alone (mode 0600)")


@pytest.mark.broker
def test_a_password_file_opens_a_broker_that_wants_a_password(tmp_path: Path, start: Callable[..., Daemon]) -> None:
    """And one that others may read is refused before anything connects."""
    with a_broker(tmp_path) as broker:
        password = secret_file(tmp_path, "well kept")
        flags = ("--username", "daemon", "--password-file", str(password))
        daemon = start(broker, *flags)
        daemon.wait_for("subscribed")
        assert daemon.terminate() == 0
        assert "well kept" not in daemon.log.read_text()
        password.chmod(0o640)
        again = start(broker, *flags)
        assert again.process.wait(timeout=20) == 1
        (line,) = [event["event"] for event in again.events() if "password_file" in event["event"]]
    assert f"expected {password} to be readable by its owner alone (mode 0600), got mode 0640" in line
