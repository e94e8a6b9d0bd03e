"""Whether a broker is fit for what the daemon promises, as far as that shows from outside.

What loses messages is silent: a denied subscription is granted and stays empty, a full queue drops the newest of what
it has acknowledged, a broker without persistence forgets the session. So messages are sent and have to come back. They
are none that the daemon would take for an uplink.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Generator, Iterator, Sequence
from datetime import UTC, datetime

from loamline.edges.doctor_message import doctor_message
from loamline.edges.finding import Finding, Level
from loamline.edges.intake import IntakeError
from loamline.edges.mqtt_probe import PATIENCE_S, Probe, ProbeError, Welcome, a_client_id
from loamline_schemas.settings import BrokerSettings

_DAY_S = 86_400
#: A certificate that ends sooner is worth a look.
_CERTIFICATE_DAYS = 21
#: MQTT 5, 2.4: reason codes.
_NOT_AUTHORIZED, _NO_MATCHING_SUBSCRIBERS, _FAILURES = 0x87, 0x10, 0x80
_CREDENTIALS = "check username, password and client_id against the broker's own files"
_HUNG_UP = "check the port, TLS on both sides (ca_file), the client certificate and the MQTT version (protocol)"


def check_broker(
    broker: BrokerSettings, *, publish: bool, canary_topic: str | None = None
) -> Generator[Finding, None, bool]:
    """Yield what is found, first what all else rests on; return whether the broker serves us at all.

    Without `publish` nothing is sent.
    `canary_topic` is where the daemon sends itself canaries, None where it sends none.
    """
    where = f"broker {broker.host}:{broker.port}"
    reached = _reach(where, broker)
    yield reached
    if reached.level != "fine":
        return False
    if broker.ca_file is not None:
        secured = _tls(where, broker)
        yield secured
        if secured.level == "broken":
            return False
    try:
        yield from _session(where, broker)
        with Probe(broker, a_client_id(broker)) as probe:
            probe.connect()
            own = () if canary_topic is None else (canary_topic,)
            yield from _filters(where, broker, (*broker.topics, *own), probe, publish=publish)
    except (ProbeError, IntakeError) as problem:
        hint = _HUNG_UP if "hung up" in str(problem) else _CREDENTIALS
        yield Finding(f"{where}, MQTT {broker.protocol}", "broken", f"it does not serve us: {problem}", hint)
        return False
    return True


def _reach(where: str, broker: BrokerSettings) -> Finding:
    try:
        with socket.create_connection((broker.host, broker.port), timeout=PATIENCE_S):
            return Finding(where, "fine", "reachable")
    except socket.gaierror as problem:
        return Finding(where, "broken", f"its name can't be resolved: {problem.strerror}", "check broker.host and DNS")
    except OSError as problem:
        advice = "start it, or check broker.host, broker.port and the firewalls between"
        return Finding(where, "broken", f"not reachable: {problem.strerror or problem}", advice)


def _tls(where: str, broker: BrokerSettings) -> Finding:
    what = f"{where}, TLS"
    try:
        context = ssl.create_default_context(cafile=str(broker.ca_file))
        if broker.certificate_file is not None:
            context.load_cert_chain(broker.certificate_file, broker.key_file)
    except OSError as problem:
        advice = "name PEM files in ca_file, certificate_file and key_file"
        return Finding(what, "broken", f"a file can't be used: {problem.strerror or problem}", advice)
    try:
        with (
            socket.create_connection((broker.host, broker.port), timeout=PATIENCE_S) as plain,
            context.wrap_socket(plain, server_hostname=broker.host) as secured,
        ):
            told = secured.getpeercert() or {}
            version = secured.version()
    except ssl.SSLCertVerificationError as problem:
        advice = "trust the authority that signed it (ca_file), and reach the broker by a name in its certificate"
        return Finding(what, "broken", f"its certificate is refused: {problem.verify_message}", advice)
    except OSError as problem:
        return Finding(what, "broken", f"no handshake: {problem.strerror or problem}", _HUNG_UP)
    ends = str(told.get("notAfter", ""))
    left = (ssl.cert_time_to_seconds(ends) - time.time()) / _DAY_S if ends else None
    words = f"{version}, its certificate holds" + (f" until {_date(ends)}" if ends else "")
    if left is not None and left < _CERTIFICATE_DAYS:
        return Finding(what, "look", f"{words}: {left:.0f} days", "renew the broker's certificate")
    return Finding(what, "fine", words)


def _date(ends: str) -> str:
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(ends), UTC).date().isoformat()


def _session(where: str, broker: BrokerSettings) -> Iterator[Finding]:
    """Yield whether we are let in and what the broker grants a session; nothing is subscribed to meanwhile."""
    asked_s = broker.session_expiry_days * _DAY_S
    with Probe(broker, a_client_id(broker), expiry_s=asked_s if broker.protocol == "5" else 0) as probe:
        welcome = probe.connect()
    as_whom = f"as {broker.username}" if broker.username else "without a user name"
    yield Finding(f"{where}, MQTT {broker.protocol}", "fine", f"lets us in {as_whom}")
    yield _quality(where, welcome)
    what = f"{where}, session"
    granted_s = welcome.granted.get("SessionExpiryInterval")
    if broker.protocol != "5":
        advice = "see that the broker's own limit on sessions is days, or use protocol 5, where it is told"
        yield Finding(what, "unseen", "how long it keeps a session can't be seen in MQTT 3.1.1", advice)
    elif granted_s is not None and granted_s < asked_s:
        level: Level = "broken" if granted_s == 0 else "look"
        advice = "raise the broker's limit on sessions: while we are away for longer, messages are lost"
        yield Finding(what, level, f"kept for {granted_s / _DAY_S:g} days, not {broker.session_expiry_days}", advice)
    else:
        yield Finding(what, "fine", f"kept for {broker.session_expiry_days} days while we are away")


def _quality(where: str, welcome: Welcome) -> Finding:
    if welcome.granted.get("MaximumQoS", 2) < 1:
        advice = "raise the broker's highest QoS to 1: with QoS 0 whatever is on its way gets lost"
        return Finding(f"{where}, QoS", "broken", "it offers QoS 0 alone", advice)
    return Finding(f"{where}, QoS", "fine", "it offers QoS 1")


def _filters(
    where: str, broker: BrokerSettings, topics: Sequence[str], probe: Probe, *, publish: bool
) -> Iterator[Finding]:
    for topic, reason in zip(topics, probe.subscribe(list(topics)), strict=False):
        what = f"{where}, {topic}"
        if reason >= _FAILURES:
            advice = "let us read it in the broker's ACL"
            yield Finding(what, "broken", f"subscription refused (reason {reason:#x})", advice)
        elif reason == 0:
            yield Finding(what, "broken", "QoS 0 granted, not 1: messages can get lost", "allow QoS 1 for this topic")
        elif topic.startswith("$"):
            yield Finding(what, "unseen", "nobody but the broker publishes there", "watch when uplinks were last heard")
        elif not publish:
            yield Finding(what, "unseen", "granted, which proves nothing", "run without --no-publish")
        else:
            yield _delivered(what, topic, broker, probe)


def _delivered(what: str, topic: str, broker: BrokerSettings, probe: Probe) -> Finding:
    sent = doctor_message()
    # On a connection of its own: brokers may hang up on one whose message they refused.
    with Probe(broker, a_client_id(broker)) as writer:
        writer.connect()
        (reason,) = writer.publish([(topic_under(topic), sent)])
    if reason >= _FAILURES:
        denied = "not allowed" if reason == _NOT_AUTHORIZED else f"refused (reason {reason:#x})"
        advice = (
            "let this user publish there for a moment, or watch when uplinks were last heard: a denied subscription is "
            "granted all the same, and stays empty"
        )
        found = f"QoS 1 granted; whether it delivers can't be seen, publishing is {denied}"
        return Finding(what, "look", found, advice)
    if probe.wait_for(lambda: any(payload == sent for _, payload in probe.heard), PATIENCE_S / 2):
        return Finding(what, "fine", "QoS 1 granted, and a message came through")
    nobody = " and says that nobody may read it" if reason == _NO_MATCHING_SUBSCRIBERS else ""
    advice = f"let {broker.username or 'anonymous clients'} read {topic} in the broker's ACL"
    if broker.protocol != "5":
        advice += ", or write there: MQTT 3.1.1 does not tell which is denied"
    return Finding(what, "broken", f"QoS 1 granted, but a message that the broker took{nobody} did not come", advice)


def topic_under(topic_filter: str) -> str:
    """Return a topic that a topic filter matches."""
    return "/".join("loamline-doctor" if level in ("+", "#") else level for level in topic_filter.split("/"))
