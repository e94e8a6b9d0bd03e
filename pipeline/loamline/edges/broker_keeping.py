"""What a broker keeps for a client that is away: how many messages, and, as far as that shows, through a restart."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

from loamline.edges.doctor_message import doctor_message
from loamline.edges.finding import Finding
from loamline.edges.intake import IntakeError
from loamline.edges.mqtt_probe import Probe, ProbeError, a_client_id
from loamline_schemas.settings import BrokerSettings

#: More than what brokers keep as a rule (1000: common practice).
MANY = 1100
_KEPT_S = 120
_DAY_S = 86_400
_SOON_S = 2.0
#: MQTT 5, 2.4: reason codes of failures.
_FAILURES = 0x80
_QUEUE_ADVICE = (
    "have it keep any number of messages for a client that is away (max_queued_messages 0, or as many as come in the "
    "longest time that we may be away): when the queue is full the newest are dropped, acknowledged all the same"
)
_PERSISTENCE_ADVICE = (
    "see that the broker writes sessions to disk at each change (persistence true, autosave_interval 1, "
    "autosave_on_changes true): else a restart or a kill of it loses what waits for us"
)


def check_keeping(broker: BrokerSettings, *, messages: int, ours_expected: bool) -> Iterator[Finding]:
    """Yield what is found. So many `messages` are sent to a client that is away; 0: none are.

    `ours_expected`: a daemon was fed by this broker and is away, so that the broker should have its session.
    """
    where = f"broker {broker.host}:{broker.port}"
    try:
        # First: what trying the queue makes it drop must not count.
        yield _dropped(where, broker)
        yield _queue(where, broker, messages)
        yield _persistence(where, broker, ours_expected=ours_expected)
    except (ProbeError, IntakeError) as problem:
        yield Finding(f"{where}, what it keeps", "look", f"could not be looked at: {problem}", "run it again")


def _queue(where: str, broker: BrokerSettings, messages: int) -> Finding:
    what = f"{where}, queue"
    if not messages:
        return Finding(what, "unseen", "what it keeps for a client that is away was not tried", _QUEUE_ADVICE)
    topic, away = f"loamline/doctor/{secrets.token_hex(4)}", a_client_id(broker)
    with Probe(broker, away, expiry_s=_KEPT_S) as reader:
        reader.connect()
        (granted,) = reader.subscribe([topic])
        (reason,) = reader.publish([(topic, doctor_message())])
        if granted >= _FAILURES or reason >= _FAILURES or not reader.wait_for(lambda: bool(reader.heard), _SOON_S):
            return Finding(what, "unseen", f"we may not publish and read {topic}, so it can't be tried", _QUEUE_ADVICE)
        reader.keep = True
    sent = [(topic, doctor_message()) for _ in range(messages)]
    with Probe(broker, a_client_id(broker)) as writer:
        writer.connect()
        writer.publish(sent, patience_s=60)
    wanted = {payload for _, payload in sent}
    with Probe(broker, away, clean=False, expiry_s=_KEPT_S) as reader:
        present = reader.connect().session_present
        came, before = _came(reader, wanted), -1
        while came != before and came < messages:
            reader.wait_for(lambda: wanted <= {payload for _, payload in reader.heard}, _SOON_S)
            before, came = came, _came(reader, wanted)
    if broker.protocol != "5":
        with Probe(broker, away) as gone:  # a clean session leaves none behind
            gone.connect()
    if not present:
        advice = "allow sessions that stand (persistent client sessions) for this client"
        return Finding(what, "broken", "it kept no session for a client that was away for a moment", advice)
    if came < messages:
        return Finding(what, "broken", f"of {messages} messages for a client that was away, {came} came", _QUEUE_ADVICE)
    return Finding(what, "fine", f"it kept {messages} messages for a client that was away; a limit above can't be seen")


def _came(reader: Probe, wanted: set[bytes]) -> int:
    return len(wanted & {payload for _, payload in reader.heard})


def _dropped(where: str, broker: BrokerSettings) -> Finding:
    """Return what the broker tells of itself under $SYS, where it does and we may read that (a convention)."""
    what = f"{where}, $SYS"
    with Probe(broker, a_client_id(broker)) as probe:
        probe.connect()
        # With QoS 0, or all that is told at once could fill the very queue that this is about.
        probe.subscribe(["$SYS/#"], qos=0)
        probe.wait_for(lambda: bool(_of_drops(probe.heard)), _SOON_S)
        dropped = _of_drops(probe.heard)
    if not dropped:
        advice = "look into the broker's log for messages that it dropped"
        return Finding(what, "unseen", "it tells us nothing of messages that it dropped", advice)
    some = {topic: count for topic, count in dropped.items() if count.strip("0.") != ""}
    if not some:
        return Finding(what, "fine", f"it dropped no message of late ({', '.join(sorted(dropped))})")
    told = ", ".join(f"{topic} is {count[:20]}" for topic, count in sorted(some.items()))
    advice = "find out whose they were in its log; `loamline radio report` shows what is missing of each probe"
    return Finding(what, "look", f"it dropped messages: {told}", advice)


def _of_drops(heard: list[tuple[str, bytes]]) -> dict[str, str]:
    return {topic: told.decode(errors="replace") for topic, told in heard if "dropped" in topic.split("/")}


def _persistence(where: str, broker: BrokerSettings, *, ours_expected: bool) -> Finding:
    what = f"{where}, persistence"
    if not ours_expected:
        return Finding(what, "unseen", "whether it keeps sessions through a restart can't be seen", _PERSISTENCE_ADVICE)
    expiry_s = broker.session_expiry_days * _DAY_S
    # Under the daemon's own name: it is away. What waits for it is not acknowledged, and comes again.
    with Probe(broker, broker.client_id, clean=False, expiry_s=expiry_s, acknowledge=False) as probe:
        present = probe.keep = probe.connect().session_present
    if present:
        found = f"it has the session of {broker.client_id}; whether that outlives a restart can't be seen"
        return Finding(what, "unseen", found, _PERSISTENCE_ADVICE)
    found = f"the store was fed, but the broker has no session of {broker.client_id}: what came meanwhile is lost"
    return Finding(what, "look", found, _PERSISTENCE_ADVICE)
