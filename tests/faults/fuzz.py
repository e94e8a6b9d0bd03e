"""Broken messages on every way in: nothing raises past the edge, nothing is lost, nothing is stored half.

    uv run python -m tests.faults.fuzz --messages 20000 --seed 1

Each kind of envelope goes three ways into a store of its own: through the daemon's loop (as from a broker), over real
HTTP, and as lines of a file, plain and gzip. Of every message must come at least one answer; each is an uplink in the
raw log, an uplink set aside with the envelope it came in, or a rejected message that is kept with every byte of it.
Over HTTP a body that is no JSON is refused with 400, whereupon the sender has it still. The log must tell of no defect,
and the store must verify.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from typer.testing import CliRunner

from loamline.app.cli import app
from loamline.app.ingest import Ingest, make_log
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.kinds import envelope_reader
from loamline.edges.inbox import Delivery, Receipt
from loamline.edges.keys_file import Keys
from loamline.edges.messages import Accepted, Rejected
from loamline.edges.store.connection import Store
from loamline.edges.store.verify import verify
from loamline.edges.topic_dev_eui import agreeing_with_topic
from loamline.edges.webhook_app import uplinks_door
from loamline.edges.webhook_ts002 import ts002_door
from loamline_codecs import builtin_codecs
from loamline_schemas.settings import WebhookSettings
from tests.faults.campaign import finish, parser, tell
from tests.faults.fuzz_inputs import KINDS, MAP_NAMES, MAPS, broken
from tests.support.lorawan_frames import NEIGHBOUR, SESSION, write_keys
from tests.support.uplinks import registered_store
from tests.support.webhook import served

_BATCH = 100
_TOPIC = "fuzz/02AA000000000100/up"
_DEFECT = "please report this"


@dataclass
class Summary:
    """What a campaign came to. `faults` tells, by way and kind, of all that must not be; it must be empty."""

    seed: int
    messages: int = 0
    uplinks: int = 0
    set_aside: int = 0
    duplicates: int = 0
    rejected: int = 0
    refused_with_400: int = 0
    #: Larger than a body may be.
    refused_with_413: int = 0
    by_kind: dict[str, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing raised, was lost, or was stored half."""
        return not self.faults


class _Feed:
    """A source that hands on deliveries in batches and then closes, as a broker's subscription does."""

    def __init__(self, deliveries: Sequence[Delivery]) -> None:
        self._batches = [list(deliveries[at : at + _BATCH]) for at in range(0, len(deliveries), _BATCH)]
        self.acknowledged: list[Delivery] = []
        self.drained = threading.Event()

    def start(self) -> None: ...

    def receive(self, _wait_s: float) -> list[Delivery]:
        if not self._batches:
            self.drained.set()
            return []
        return self._batches.pop(0)

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        self.acknowledged += deliveries
        return len(deliveries)

    def stop_intake(self) -> None: ...

    def close(self) -> None: ...


def campaign(messages: int, seed: int, folder: Path, kinds: Sequence[str] = KINDS) -> Summary:
    """Give about `messages` broken messages to every way in, in equal parts; return what became of them."""
    summary = Summary(seed)
    keys_file = write_keys(folder / "keys.csv", [SESSION.row, NEIGHBOUR.row])
    keys = Keys.load(keys_file)
    each = max(1, messages // (len(kinds) * 3))
    for kind in kinds:
        # A seed for each, so that one of them alone gives the same again.
        rng = random.Random(f"{seed} {kind}")
        inside = Path(tempfile.mkdtemp(dir=folder))
        _through_the_loop(kind, [broken(kind, rng) for _ in range(each)], inside, keys, summary)
        _over_http(kind, [broken(kind, rng) for _ in range(each)], inside, keys, summary)
        _as_files(kind, [broken(kind, rng) for _ in range(each)], inside, keys_file, summary)
        summary.by_kind[kind] = 3 * each
        tell(f"{kind}: {3 * each} messages, {len(summary.faults)} faults so far")
    return summary


def _reader(kind: str, keys: Keys) -> EnvelopeReader:
    return envelope_reader(kind, keys=keys, maps_dir=MAPS)


def _through_the_loop(kind: str, contents: list[bytes], folder: Path, keys: Keys, summary: Summary) -> None:
    store, reader = folder / "loop.duckdb", _reader(kind, keys)
    registered_store(store).close()
    if kind == "canonical":
        of_topic = agreeing_with_topic(reader, 2, "canonical, DevEUI at topic level 2")
        readers = [reader, of_topic]
    else:
        readers = [reader]
    deliveries = [
        Delivery(0, number, 1, _TOPIC, content, "fuzz", readers[number % len(readers)], Receipt())
        for number, content in enumerate(contents, 1)
    ]
    log, feed = io.StringIO(), _Feed(deliveries)
    daemon = Ingest(
        store=store, codecs=builtin_codecs(), source=feed, log=make_log("json", file=log), shortest_pause_s=0.01
    )
    thread = threading.Thread(target=daemon.run, name="daemon")
    thread.start()
    while not feed.drained.wait(0.1) and thread.is_alive():
        pass
    daemon.stop()
    thread.join(60)
    fault = _faults(summary, f"{kind} through the loop")
    if len(feed.acknowledged) != len(deliveries):
        fault(f"{len(feed.acknowledged)} of {len(deliveries)} were acknowledged: {log.getvalue()[-500:]}")
    _tell_defects(log.getvalue(), fault)
    receipts = [(delivery.payload, delivery.receipt) for delivery in deliveries if delivery.receipt is not None]
    _check_store(kind, store, receipts, summary)


def _over_http(kind: str, contents: list[bytes], folder: Path, keys: Keys, summary: Summary) -> None:
    store, reader = folder / "http.duckdb", _reader(kind, keys)
    registered_store(store).close()
    door = ts002_door(reader) if kind == "ts002" else uplinks_door(reader, canonical=kind == "canonical")
    fault = _faults(summary, f"{kind} over HTTP")
    stored: list[tuple[bytes, Receipt | None]] = []
    with served(store, doors=[door]) as server, httpx.Client(base_url=server.url, timeout=60) as client:
        for content in contents:
            answer = client.post(door.path, content=content)
            if answer.status_code == 200:
                stored.append((content, None))
            elif answer.status_code == 400:
                summary.refused_with_400 += 1
                summary.messages += 1
                if "expected" not in answer.text:
                    fault(f"400 without a sentence: {answer.text[:200]}")
            elif answer.status_code == 413 and len(content) > WebhookSettings.model_fields["most_bytes"].default:
                summary.refused_with_413 += 1
                summary.messages += 1
            else:
                fault(f"{answer.status_code} for {len(content)} bytes, {content[:300]!r}")
    _tell_defects(server.log.getvalue(), fault)
    again = [(content, Receipt(reader(content, f"POST {door.path}"))) for content, _ in stored]
    _check_store(kind, store, again, summary)


def _as_files(kind: str, contents: list[bytes], folder: Path, keys_file: Path, summary: Summary) -> None:
    """Import the messages as lines; a line break inside a message makes two lines of it, as it would in life."""
    store, plain, packed = folder / "files.duckdb", folder / "lines.ndjson", folder / "lines.ndjson.gz"
    registered_store(store).close()
    fault = _faults(summary, f"{kind} as files")
    half = len(contents) // 2
    plain.write_bytes(b"\n".join(contents[:half]) + b"\n")
    whole = gzip.compress(b"\n".join(contents[half:]) + b"\n")
    packed.write_bytes(whole[: len(whole) - 9])  # cut off: its last message has no end
    envelope = str(MAPS / f"{kind}.toml") if kind in MAP_NAMES else kind
    told = ["--store", str(store), "--envelope", envelope, "--keys", str(keys_file), "--json"]
    done = CliRunner().invoke(app, ["import", str(plain), str(packed), *told])
    if done.exit_code not in (0, 1) or not isinstance(done.exception, SystemExit | None):
        fault(f"exit {done.exit_code}: {done.exception!r} {done.output[-300:]}")
        return
    counts = json.loads(done.stdout[done.stdout.index("{") :])
    lines = [line.strip() for line in plain.read_bytes().split(b"\n") if line.strip()]
    reader = _reader(kind, Keys.load(keys_file))
    receipts = [(line, Receipt(reader(line, "lines.ndjson"))) for line in lines]
    least = sum(len(receipt.messages) for _, receipt in receipts)
    if counts["read"] <= least:
        fault(f"{counts['read']} read of {least} in the plain file and the gzip file together")
    _check_store(kind, store, receipts, summary)


def _check_store(kind: str, store: Path, receipts: Sequence[tuple[bytes, Receipt]], summary: Summary) -> None:
    """Check that each message of each delivery is where it must be, whole, and that the store verifies."""
    fault = _faults(summary, f"{kind} in {store.name}")
    with Store.open(store) as opened:
        con = opened.con
        kept = {
            (bytes(content), told) for content, told in con.sql("SELECT content, kind FROM rejected_message").fetchall()
        }
        uplinks = {
            (dev_eui, fcnt, fport, bytes(payload))
            for dev_eui, fcnt, fport, payload in con.sql(
                "SELECT dev_eui, fcnt, fport, payload FROM uplink JOIN probe_identity USING (probe_id)"
            ).fetchall()
        }
        if con.sql("SELECT 1 FROM set_aside WHERE envelope IS NULL OR octet_length(envelope) = 0").fetchall():
            fault("set aside without its envelope")
        half = con.sql("SELECT count(*) FROM set_aside ANTI JOIN uplink USING (seq)").fetchall()
        if half != [(0,)]:
            fault("set aside without its uplink")
        for content, receipt in receipts:
            summary.messages += 1
            if not receipt.messages:
                fault(f"no answer to {content[:300]!r}")
            for message in receipt.messages:
                _check_message(message, kept, uplinks, summary, fault)
        compared = verify(opened, builtin_codecs(), 5)
        if compared.differences:
            fault(f"verify: {compared.differences} differences, {compared.first}")
        summary.set_aside += opened.scalar("SELECT count(*) FROM set_aside")


def _check_message(message: object, kept: set, uplinks: set, summary: Summary, fault) -> None:  # type: ignore[no-untyped-def, type-arg]
    if isinstance(message, Accepted):
        told = message.uplink
        summary.uplinks += 1
        if (told.dev_eui, told.fcnt, told.fport, told.payload) not in uplinks:
            fault(f"accepted, but not in the raw log: {message.envelope[:300]!r}")
    elif isinstance(message, Rejected):
        summary.rejected += 1
        if (message.content, message.kind) not in kept:
            fault(f"rejected, but not kept: {message.content[:300]!r} ({message.detail[:200]})")
        if "\n" in message.detail:
            fault(f"a sentence of several lines: {message.detail[:300]!r}")
        if _DEFECT in message.detail:
            fault(f"a defect: {message.detail[:300]}")


def _tell_defects(log: str, fault) -> None:  # type: ignore[no-untyped-def]
    for line in log.splitlines():
        if _DEFECT in line or "store failed" in line or "Traceback" in line:
            fault(line[:500])


def _faults(summary: Summary, where: str):  # type: ignore[no-untyped-def]
    return lambda told: summary.faults.append(f"{where}: {told}")


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser(
        "fuzz", "Give broken messages to every way in; check that all are kept.", "--messages 20000 --seed 1"
    )
    flags.add_argument("--messages", type=int, default=2_000)
    flags.add_argument("--kind", choices=KINDS, action="append", help="only this envelope; may be given several times")
    told = flags.parse_args()
    return finish(lambda folder: campaign(told.messages, told.seed, folder, told.kind or KINDS))


if __name__ == "__main__":
    sys.exit(main())
