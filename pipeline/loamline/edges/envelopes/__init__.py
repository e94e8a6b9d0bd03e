"""The envelopes that an uplink may come in, one module a kind: each turns message bytes into canonical uplinks.

A reader raises nothing. It answers with one item for every uplink in the message: a JSON list holds several, and an
item that is no uplink spoils none of the others.
"""

from __future__ import annotations

from collections.abc import Callable

from loamline.edges.messages import Incoming

#: (content, source) to what it holds; `source` says where it came from: a topic, or a file and line.
EnvelopeReader = Callable[[bytes, str], list[Incoming]]
