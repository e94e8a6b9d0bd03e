"""How the ways in read their messages, as the settings tell it; all of it can be exchanged while they run."""

from __future__ import annotations

from loamline.app.envelopes import known_keys
from loamline.app.output import CommandError
from loamline.edges.doctor_message import is_doctor_message
from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.kinds import EnvelopeKindError, envelope_reader, recorded_kind
from loamline.edges.messages import Incoming
from loamline.edges.topic_dev_eui import agreeing_with_topic
from loamline_schemas.settings import BrokerSettings, Settings

#: What the webhook takes beside the envelope that it was told.
TS002 = "ts002"
#: A reader for each kind of envelope that the settings tell.
Made = dict[str, EnvelopeReader]


def make_readers(settings: Settings) -> tuple[Made, list[str]]:
    """Return a reader for each kind of envelope of `settings`, by maps and keys as they lie there now, and all faults.

    With a fault there is no reader of that kind. A fault is a sentence.
    """
    kinds = dict.fromkeys(broker.envelope for broker in settings.all_brokers)
    if settings.webhook is not None:
        kinds |= dict.fromkeys((settings.webhook.envelope, TS002))
    made, faults = {}, []
    try:
        keys = known_keys(settings.keys_file, settings.key_encryption_key_file)
    except CommandError as problem:
        return {}, [f"keys_file: {problem}"]
    for kind in kinds:
        try:
            made[kind] = envelope_reader(kind, keys=keys, maps_dir=settings.maps_dir)
        except EnvelopeKindError as problem:
            faults.append(str(problem))
    return made, faults


class Readers:
    """The readers in force. What a way in was given reads by those that are in force when it reads."""

    def __init__(self, settings: Settings) -> None:
        """Make them. Raises CommandError, exit code 2, with every fault."""
        self._made, faults = make_readers(settings)
        if faults:
            raise CommandError("\n".join(faults), 2)

    def exchange(self, made: Made) -> None:
        """Put others in force, of the same settings. Belongs to the thread that reads."""
        self._made = made

    def of(self, kind: str) -> EnvelopeReader:
        """Return what reads messages as `kind` tells."""

        def read(content: bytes, source: str) -> list[Incoming]:
            return [] if is_doctor_message(content) else self._made[kind](content, source)

        return read

    def of_broker(self, broker: BrokerSettings) -> EnvelopeReader:
        """Return what reads a broker's messages, which agree with their topic where the settings want that."""
        reader = self.of(broker.envelope)
        if broker.dev_eui_level is None:
            return reader
        return agreeing_with_topic(reader, broker.dev_eui_level, recorded_kind(broker.envelope, broker.dev_eui_level))
