"""Where settled readings are sent on to: any number of webhooks and MQTT topics, each with a choice of readings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import Annotated, Self

from pydantic import AwareDatetime, Field, model_validator

from loamline_schemas.events_settings import EventBrokerSettings, ReceiverSettings


class FeedForm(StrEnum):
    """What a message is: readings as the read API tells them in JSON, or a SenML pack (RFC 8428) in JSON."""

    JSON = "json"
    SENML = "senml"


class FeedPer(StrEnum):
    """What a message holds: one reading, or all that are due together."""

    READING = "reading"
    BATCH = "batch"


class FeedBrokerSettings(EventBrokerSettings):
    """An MQTT 5 broker and topic that readings are published to, with QoS 1."""

    topic: Annotated[str, Field(min_length=1, description="one topic, no filter")] = "loamline/readings"
    client_id: Annotated[
        str, Field(min_length=1, max_length=64, description="another one for each feed to this broker")
    ] = "loamline-feed"


class FeedSettings(ReceiverSettings):
    """Settled readings go to a webhook or topic, at least once each; what changes after that is sent again."""

    name: Annotated[
        str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$", description="under another name the feed begins anew")
    ]
    customer: Annotated[str | None, Field(min_length=1, description="readings of this customer's sites alone")] = None
    site: Annotated[str | None, Field(min_length=1, description="readings of this site alone")] = None
    form: Annotated[FeedForm, Field(description="what a message is: canonical JSON, or SenML (RFC 8428)")] = (
        FeedForm.JSON
    )
    per: Annotated[FeedPer, Field(description="a message for each reading, or one for all that are due together")] = (
        FeedPer.READING
    )
    batch_readings: Annotated[int, Field(ge=1, le=1000, description="at most so many are due together")] = 200
    settle_minutes: Annotated[
        float,
        Field(ge=0, le=10_080, description="after it was measured a reading is settled; longer than the interval"),
    ] = 90
    since: Annotated[
        AwareDatetime | None, Field(description="a new feed begins with what was measured then; without it, now")
    ] = None
    mqtt: Annotated[FeedBrokerSettings | None, Field(description="a broker in place of a webhook")] = None

    @model_validator(mode="after")
    def _coherent_feed(self) -> Self:
        if self.url is None and self.mqtt is None:
            raise ValueError("expected one of url and mqtt, got neither")
        if self.customer is not None and self.site is not None:
            raise ValueError("expected one of customer and site, got customer and site")
        return self


def contradictions(feeds: Sequence[FeedSettings]) -> Iterator[str]:
    """Yield a sentence for each two feeds that can't both be meant."""
    names: dict[str, int] = {}
    clients: dict[tuple[str, int, str], int] = {}
    for number, feed in enumerate(feeds):
        if (earlier := names.setdefault(feed.name, number)) != number:
            yield f"expected another name in each of the feeds, got {feed.name} in feeds.{earlier} and feeds.{number}"
        if feed.mqtt is None:
            continue
        client = (feed.mqtt.host, feed.mqtt.port, feed.mqtt.client_id)
        if (earlier := clients.setdefault(client, number)) != number:
            yield (
                f"expected another client_id in each of the feeds to {feed.mqtt.host}:{feed.mqtt.port}, got "
                f"{feed.mqtt.client_id} in feeds.{earlier} and feeds.{number}: they would hang up on each other"
            )
