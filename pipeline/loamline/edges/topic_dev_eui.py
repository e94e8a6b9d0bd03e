"""The DevEUI in a topic against the one in the payload: who may publish under one probe's topic speaks for that one."""

from __future__ import annotations

import re
from dataclasses import replace

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.messages import Incoming, Rejected

_DEV_EUI = re.compile("[0-9A-F]{16}")


def agreeing_with_topic(reader: EnvelopeReader, level: int, kind: str) -> EnvelopeReader:
    """Return a reader that rejects uplinks of another DevEUI than the topic's at `level`, counted from 1.

    `kind` is what a rejected message notes of the envelope and of this condition. A topic that has no DevEUI there
    speaks for no probe.
    """

    def read(content: bytes, topic: str) -> list[Incoming]:
        levels = topic.split("/")
        told = levels[level - 1] if len(levels) >= level else None
        return [_checked(message, topic, level, told, kind) for message in reader(content, topic)]

    return read


def _checked(message: Incoming, topic: str, level: int, told: str | None, kind: str) -> Incoming:
    if isinstance(message, Rejected):
        # Read again later, it has to agree with its topic all the same.
        return replace(message, source=topic, kind=kind)
    dev_eui = message.uplink.dev_eui
    if told is not None and told.upper() == dev_eui:
        return message
    if told is not None and _DEV_EUI.fullmatch(told.upper()):
        detail = f"{topic}: expected the payload's DevEUI to be the topic's, {told.upper()}, got {dev_eui}"
    else:
        got = "none" if told is None else repr(told)
        detail = f"{topic}: expected a DevEUI of 16 hex digits at level {level} of the topic, got {got}, for {dev_eui}"
    return Rejected(topic, detail, message.envelope, kind)
