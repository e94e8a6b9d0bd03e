"""`loamline doctor`: each thing that loses messages in silence is found, with what to do; the rest is called fine.

The brokers are real ones, with the settings that lose messages: an ACL that denies, a queue that is short, sessions
that do not outlive a restart.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from loamline.app.doctor.machine import clock
from loamline.edges.broker_check import topic_under
from loamline.edges.mqtt_probe import Probe
from loamline.edges.publisher import Publisher
from loamline.edges.store.connection import Store
from loamline_schemas.settings import BrokerSettings
from tests.support.certificates import Authority
from tests.support.command import run
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import Mosquitto, a_broker, free_port
from tests.support.uplinks import as_bytes, fleet, import_at_once


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """Return what `init` writes."""
    run("init", tmp_path / "soil")
    return tmp_path / "soil" / "loamline.toml"


def at(config: Path, broker: Mosquitto, more: str = "") -> Path:
    """Return the settings with another port, and `more` for the broker."""
    config.write_text(config.read_text().replace("port = 1883", f"port = {broker.port}\n{more}", 1))
    return config


def examined(config: Path, *flags: str) -> tuple[int, dict[str, dict[str, str]]]:
    """Return the exit code, and the findings by what was looked at, `broker` for its name."""
    told = run("doctor", "--config", config, "--json", *flags)
    found: list[dict[str, str]] = json.loads(told.stdout)
    names = {one["what"].split(", ")[0] for one in found if one["what"].startswith("broker ")}
    for name in names:
        found = [{**one, "what": one["what"].replace(name, "broker")} for one in found]
    return told.exit_code, {one["what"]: one for one in found}


def levels(found: dict[str, dict[str, str]]) -> dict[str, str]:
    return {what: one["level"] for what, one in found.items()}


@contextmanager
def running(config: Path) -> Iterator[Daemon]:
    daemon = Daemon(None, config.with_name("loamline.duckdb"), "--config", str(config))
    try:
        daemon.wait_for("subscribed")
        yield daemon
    finally:
        daemon.kill()


@pytest.mark.broker
def test_all_is_fine_beside_a_running_daemon_and_a_sound_broker(config: Path, tmp_path: Path) -> None:
    """Its messages are no uplinks to the daemon, rejected ones neither."""
    with a_broker(tmp_path, persistence=True) as broker:
        at(config, broker)
        with running(config) as daemon:
            now = datetime.now(UTC).isoformat()
            with Publisher(host=broker.host, port=broker.port) as publisher:
                publisher.publish("loamline/uplinks/x", as_bytes({**next(fleet(1)), "heard_at": now}))
            until(lambda: daemon.committed("accepted") == 1)
            code, found = examined(config)
            told = json.loads(run("status", "--config", config, "--json").stdout)
            assert daemon.terminate() == 0
    assert code == 0, found
    assert set(levels(found).values()) <= {"fine", "unseen"}
    assert found["broker, loamline/uplinks/#"]["finding"] == "QoS 1 granted, and a message came through"
    assert found["broker, loamline/canary/loamline-ingest"]["level"] == "fine"
    assert found["broker, queue"]["finding"].startswith("it kept 1100 messages")
    assert found["broker, persistence"]["level"] == "unseen"
    assert found["clock"]["level"] == "fine"
    assert found["readings"]["finding"].startswith("none is stale")
    assert told["counts"] == {**told["counts"], "read": 1, "accepted": 1, "unreadable": 0}


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_subscription_that_an_acl_denies_in_silence_is_found(config: Path, tmp_path: Path, protocol: str) -> None:
    """Granted, and never a message: we may write there and not read."""
    acl = tmp_path / "acl"
    acl.write_text("topic write loamline/uplinks/#\ntopic loamline/doctor/#\ntopic loamline/canary/#\n")
    acl.chmod(0o600)
    with a_broker(tmp_path, more=[f"acl_file {acl}"]) as broker:
        code, found = examined(at(config, broker, f'protocol = "{protocol}"'))
    denied = found["broker, loamline/uplinks/#"]
    assert (code, denied["level"]) == (2, "broken")
    assert denied["finding"].startswith("QoS 1 granted, but a message that the broker took")
    assert "ACL" in denied["advice"]
    assert found["broker, queue"]["level"] == "fine"


@pytest.mark.broker
def test_where_we_may_not_publish_it_says_that_it_cannot_see(config: Path, tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text("topic read loamline/uplinks/#\n")
    acl.chmod(0o600)
    with a_broker(tmp_path, more=[f"acl_file {acl}"]) as broker:
        code, found = examined(at(config, broker))
    assert code == 1
    assert found["broker, loamline/uplinks/#"]["level"] == "look"
    assert found["broker, loamline/uplinks/#"]["finding"].endswith("publishing is not allowed")
    assert (found["broker, queue"]["level"], found["broker, $SYS"]["level"]) == ("unseen", "unseen")


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_short_queue_is_found(config: Path, tmp_path: Path, protocol: str) -> None:
    """The newest are dropped, acknowledged all the same; the broker's own count tells of it, too."""
    with a_broker(tmp_path, more=["max_queued_messages 10", "sys_interval 1"]) as broker:
        code, found = examined(at(config, broker, f'protocol = "{protocol}"'))
        _, again = examined(config, "--no-publish")
    assert (code, found["broker, queue"]["level"]) == (2, "broken")
    assert found["broker, queue"]["finding"].startswith("of 1100 messages for a client that was away, ")
    assert "max_queued_messages 0" in found["broker, queue"]["advice"]
    assert (found["broker, $SYS"]["level"], again["broker, $SYS"]["level"]) == ("fine", "look")


@pytest.mark.broker
def test_a_session_that_a_broker_without_persistence_lost_is_found(config: Path, tmp_path: Path) -> None:
    """Fed, away, and the broker was started anew meanwhile: what came in between is lost."""
    store = config.with_name("loamline.duckdb")
    with a_broker(tmp_path) as broker:
        at(config, broker)
        with running(config) as daemon:
            with Publisher(host=broker.host, port=broker.port) as publisher:
                publisher.publish("loamline/uplinks/x", as_bytes(next(fleet(1))))
            until(lambda: daemon.committed("accepted") == 1)
            assert daemon.terminate() == 0
        _, kept = examined(config, "--no-publish")
        broker.stop()
        broker.start()
        code, lost = examined(config, "--no-publish")
    assert store.exists()
    assert kept["broker, persistence"]["finding"].startswith("it has the session of loamline-ingest")
    assert (code, lost["broker, persistence"]["level"]) == (1, "look")
    assert "autosave_on_changes true" in lost["broker, persistence"]["advice"]


@pytest.mark.broker
def test_what_waits_for_the_daemon_still_waits_after_it_looked(config: Path, tmp_path: Path) -> None:
    """It looks under the daemon's own name, and acknowledges nothing."""
    with a_broker(tmp_path) as broker:
        at(config, broker)
        uplinks = fleet(1)
        with running(config) as daemon:
            with Publisher(host=broker.host, port=broker.port) as publisher:
                publisher.publish("loamline/uplinks/x", as_bytes(next(uplinks)))
            until(lambda: daemon.committed("accepted") == 1)
            assert daemon.terminate() == 0
        with Publisher(host=broker.host, port=broker.port) as publisher:
            for _ in range(30):
                publisher.publish("loamline/uplinks/x", as_bytes(next(uplinks)))
        examined(config)
        with running(config) as daemon:
            until(lambda: daemon.committed("read") == 30)
            assert daemon.terminate() == 0
    with Store.open(config.with_name("loamline.duckdb"), writable=False) as store:
        assert store.last_seq() == 31
        assert store.scalar("SELECT count(*) FROM rejected_message") == 0


@pytest.mark.broker
def test_a_wrong_password_and_a_broker_that_is_not_there_are_told_apart(config: Path, tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    passwords.write_text("")
    passwords.chmod(0o600)
    more = ["allow_anonymous false", f"password_file {passwords}"]
    with a_broker(tmp_path, more=more) as broker:
        code, found = examined(at(config, broker))
    assert (code, found["broker, MQTT 5"]["level"]) == (2, "broken")
    assert "Not authorized" in found["broker, MQTT 5"]["finding"]
    assert "check username, password" in found["broker, MQTT 5"]["advice"]
    code, found = examined(config)
    assert (code, found["broker"]["finding"]) == (2, "not reachable: Connection refused")


def test_files_that_the_settings_name_and_that_are_not_there_are_told(config: Path) -> None:
    """By the same sentences as `config check`."""
    config.write_text(config.read_text().replace('# ca_file = "..."', "ca_file = 'absent.pem'", 1))
    code, found = examined(config)
    assert code == 2
    assert found["settings"]["finding"].startswith("broker.ca_file: expected certificates in PEM at ")


def test_broken_settings_are_all_that_is_told(tmp_path: Path) -> None:
    path = tmp_path / "loamline.toml"
    path.write_text("[broker]\nport = 'x'\n")
    told = run("doctor", "--config", path)
    assert told.exit_code == 2
    assert told.stdout.startswith(f"broken settings: settings in {path}: broker.port: expected a whole number")


def store_findings(config: Path) -> tuple[int, dict[str, dict[str, str]]]:
    """Return what is found where the broker is not there: the store's part counts."""
    config.write_text(config.read_text().replace("port = 1883", f"port = {free_port()}"))
    return examined(config)


def test_a_shortened_write_ahead_log_is_found_by_the_watermark(config: Path) -> None:
    store = config.with_name("loamline.duckdb")
    uplinks = fleet(1)
    import_at_once(store, [next(uplinks) for _ in range(20)])
    store.with_name("loamline.duckdb.watermark").write_text('{"last_seq": 99}')
    code, found = store_findings(config)
    told = found[f"store {store}"]
    assert (code, told["level"]) == (2, "broken")
    assert "expected at least sequence number 99" in told["finding"]


def test_stale_readings_a_store_in_use_and_a_full_disk_are_told(config: Path) -> None:
    store = config.with_name("loamline.duckdb")
    uplinks = fleet(1)
    import_at_once(store, [next(uplinks) for _ in range(20)])
    config.write_text(
        config.read_text().replace("# [watch]", "[watch]").replace("# reserve_mb = 512", "reserve_mb = 9999999")
    )
    _, found = store_findings(config)
    assert found[f"store {store}"]["finding"].startswith("schema ")
    assert found["daemon"]["level"] == "look"
    assert found[f"disk of {store.parent}"]["level"] == "broken"
    with Store.open(store):
        _, found = store_findings(config)
    assert f"process {os.getpid()} has it open" in found[f"store {store}"]["finding"]


def test_a_webhook_port_that_somebody_has_is_told(config: Path) -> None:
    import socket

    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        text = config.read_text().replace("# [webhook]", "[webhook]").replace("# port = 8420", f"port = {port}")
        config.write_text(text)
        _, found = store_findings(config)
    assert found[f"webhook 127.0.0.1:{port}"]["level"] == "broken"
    assert "Address already in use" in found[f"webhook 127.0.0.1:{port}"]["finding"]


@pytest.mark.parametrize(
    ("took", "level"),
    [
        (None, "unseen"),
        ({"rows": 0, "least_s": None, "most_s": None}, "unseen"),
        ({"rows": 9, "least_s": -7.0, "most_s": 3.0}, "look"),
        ({"rows": 9, "least_s": 0.4, "most_s": 90_000.0}, "fine"),
        ({"rows": 9, "least_s": 3600.0, "most_s": 7200.0}, "look"),
    ],
)
def test_what_the_newest_uplinks_tell_of_the_clock(took: dict[str, Any] | None, level: str) -> None:
    """Stored before it was heard proves one clock wrong; late proves nothing, since a message may have waited."""
    assert clock(took).level == level


@pytest.mark.parametrize(
    ("topic_filter", "topic"),
    [("a/b", "a/b"), ("a/+/c", "a/loamline-doctor/c"), ("a/#", "a/loamline-doctor"), ("#", "loamline-doctor")],
)
def test_a_topic_that_a_filter_matches(topic_filter: str, topic: str) -> None:
    """MQTT 5, 4.7."""
    assert topic_under(topic_filter) == topic


def test_readings_that_a_changed_curve_made_stale_are_counted(config: Path) -> None:
    """And it says how to see what a replay would change."""
    store = config.with_name("loamline.duckdb")
    registry = config.with_name("registry")
    assert run("registry", "load", registry, "--store", store).exit_code == 0
    uplink = json.loads(config.with_name("example-uplink.json").read_text())
    uplink["heard_at"] = (datetime.now(UTC) - timedelta(minutes=1)).isoformat()
    lines = config.with_name("one.jsonl")
    lines.write_text(json.dumps(uplink) + "\n")
    assert run("import", lines, "--store", store).exit_code == 0
    curves = registry / "curves.toml"
    curves.write_text(curves.read_text().replace("[1, 30, 49]", "[1, 31, 49]"))
    assert run("registry", "load", registry, "--store", store).exit_code == 0
    _, found = store_findings(config)
    assert found["readings"]["finding"].startswith("1 are stale")
    assert "loamline replay preview" in found["readings"]["advice"]


@contextmanager
def a_tls_broker(
    folder: Path, authority: Authority, *, days: float = 365, more: tuple[str, ...] = ()
) -> Iterator[Mosquitto]:
    certificate, key = authority.sign("broker", days=days)
    of_tls = (f"cafile {authority.ca}", f"certfile {certificate}", f"keyfile {key}")
    with a_broker(folder, more=(*of_tls, *more)) as broker:
        yield broker


@pytest.mark.broker
def test_a_certificate_is_looked_at_its_end_and_who_signed_it(config: Path, tmp_path: Path) -> None:
    """Trusted, about to end, of another authority; and no TLS on our side, where the broker just hangs up."""
    authority, other = Authority(tmp_path), Authority(tmp_path, "another authority")
    original = config.read_text()
    with a_tls_broker(tmp_path, authority, days=5) as broker:
        _, found = examined(at(config, broker, f'ca_file = "{authority.ca}"'), "--no-publish")
        assert found["broker, TLS"]["level"] == "look"
        assert found["broker, TLS"]["advice"] == "renew the broker's certificate"
        assert found["broker, MQTT 5"]["level"] == "fine"
        config.write_text(original)
        code, found = examined(at(config, broker, f'ca_file = "{other.ca}"'), "--no-publish")
        assert (code, found["broker, TLS"]["level"]) == (2, "broken")
        assert found["broker, TLS"]["finding"].startswith("its certificate is refused: ")
        config.write_text(original)
        code, found = examined(at(config, broker), "--no-publish")
        assert code == 2
        assert "TLS on both sides" in found["broker, MQTT 5"]["advice"]


@pytest.mark.broker
def test_a_broker_that_wants_a_client_certificate_and_gets_none_is_told(config: Path, tmp_path: Path) -> None:
    """Brokers give no reason for that; the advice names it."""
    authority = Authority(tmp_path)
    certificate, key = authority.sign("client")
    original = config.read_text()
    with a_tls_broker(tmp_path, authority, more=("require_certificate true",)) as broker:
        code, found = examined(at(config, broker, f'ca_file = "{authority.ca}"'), "--no-publish")
        assert code == 2
        assert "the client certificate" in found["broker, MQTT 5"]["advice"]
        config.write_text(original)
        more = f'ca_file = "{authority.ca}"\ncertificate_file = "{certificate}"\nkey_file = "{key}"'
        code, found = examined(at(config, broker, more))
    assert (found["broker, TLS"]["level"], found["broker, loamline/uplinks/#"]["level"]) == ("fine", "fine")


@pytest.mark.broker
def test_a_broker_that_offers_qos_0_alone_is_found(config: Path, tmp_path: Path) -> None:
    """Whatever is on its way when a connection breaks is gone then."""
    with a_broker(tmp_path, more=["max_qos 0"]) as broker:
        code, found = examined(at(config, broker), "--no-publish")
    assert (code, found["broker, QoS"]["level"]) == (2, "broken")
    assert found["broker, loamline/uplinks/#"]["finding"].startswith("QoS 0 granted, not 1")


@pytest.mark.broker
def test_a_probe_that_acknowledges_nothing_takes_nothing(tmp_path: Path) -> None:
    """What it was sent under the name of another comes to that other all the same."""
    with a_broker(tmp_path) as broker:
        settings = BrokerSettings(port=broker.port, client_id="owner")
        with Probe(settings, "owner", expiry_s=600) as owner:
            owner.connect()
            owner.subscribe(["x"])
            owner.keep = True
        with Publisher(host=broker.host, port=broker.port) as publisher:
            for number in range(5):
                publisher.publish("x", b"%d" % number)
        with Probe(settings, "owner", clean=False, expiry_s=600, acknowledge=False) as looking:
            assert looking.connect().session_present
            assert looking.wait_for(lambda: len(looking.heard) == 5)
            looking.keep = True
        with Probe(settings, "owner", clean=False) as owner:
            owner.connect()
            assert owner.wait_for(lambda: len(owner.heard) == 5)
