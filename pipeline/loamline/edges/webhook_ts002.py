"""`POST /ts002`: uplinks as LoRa Alliance TS002 has network servers send them, answered with its result codes."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.ts002 import ts002_answer
from loamline.edges.inbox import Receipt
from loamline.edges.webhook_app import Answer, Door
from loamline_schemas.ts002 import ResultCode, XmitDataReq


class Result(BaseModel):
    """What came of a request."""

    result_code: ResultCode = Field(alias="ResultCode")
    description: str | None = Field(default=None, alias="Description")


class XmitDataAns(BaseModel):
    """The answer, for the document alone; `ts002_answer` makes it."""

    model_config = ConfigDict(extra="forbid")

    protocol_version: str = Field(alias="ProtocolVersion")
    sender_id: str | None = Field(default=None, alias="SenderID")
    receiver_id: str | None = Field(default=None, alias="ReceiverID")
    transaction_id: int | None = Field(default=None, alias="TransactionID")
    message_type: str = Field(alias="MessageType")
    result: Result = Field(alias="Result")


def ts002_door(reader: EnvelopeReader) -> Door:
    """Return `POST /ts002`, whose messages `reader` reads; also what could not be stored is answered with a code."""
    return Door(
        path="/ts002",
        summary="Store the uplink of an XmitDataReq (LoRa Alliance TS002); answered with an XmitDataAns.",
        reader=reader,
        answer=_stored,
        not_stored=_not_stored,
        request_schema={"$ref": "#/components/schemas/XmitDataReq"},
        answer_schema={"$ref": "#/components/schemas/XmitDataAns"},
        models=(XmitDataReq, XmitDataAns),
    )


def _stored(body: bytes, receipt: Receipt) -> Answer:
    return Answer(*ts002_answer(body, receipt.messages, stored=True))


def _not_stored(body: bytes) -> dict[str, Any]:
    return ts002_answer(body, (), stored=False)[1]
