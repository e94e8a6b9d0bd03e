"""A map drafted from a sample message, by the shapes of its values; every doubt stands beside its line as a comment."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from loamline.edges.envelopes.map_shapes import Candidate, Leaf, candidates, leaves, lists
from loamline_schemas.envelope_map import REQUIRED, ReceptionMap, UplinkMap

#: The order of choosing: what has the plainest shape first, so that no value is taken twice.
_UPLINK = (
    "dev_eui", "dev_addr", "heard_at", "coding_rate", "frequency_hz", "payload", "bandwidth_hz", "spreading_factor",
    "fport", "fcnt", "confirmed",
)  # fmt: skip
_RECEPTION = ("rssi_dbm", "snr_db", "heard_at", "latitude_deg", "longitude_deg", "antenna", "gateway")
#: One text may hold both.
_SHARED = ("bandwidth_hz", "spreading_factor")
_OTHERS_SHOWN = 3
_WRITTEN_AS: dict[str, str] = {"payload": 'encoding = "hex"'}
#: Where a necessary field is not to be seen; no message holds it.
_NOT_FOUND = "/not-found-in-the-sample"


def draft_map(message: Any) -> str:
    """Return the TOML text of a map for messages like `message`: a starting point, which loads as a map."""
    whole = message[0] if isinstance(message, list) and message else message
    list_at, uplink = _uplinks(whole)
    head = [
        "# Drafted from one sample message by the shapes of its values. Look at each line, mend it, and try it:",
        "# loamline envelope try MAP FILE",
        "",
        "[uplink]",
    ]
    if list_at is not None:
        head.append(f"list_at = {_toml(list_at)}  # doubt: taken for a list of uplinks, by the identifiers in it")
    reception = _reception(uplink)
    taken = {leaf.pointer for leaf in reception[1]} if reception else set()
    found = [leaf for leaf in leaves(uplink) if leaf.pointer not in taken]
    # What all uplinks of a list share stands in the message around it.
    around = list(leaves(whole)) if list_at is not None else []
    lines = [*head, *_fields(UplinkMap, _UPLINK, found, around)]
    if reception is None:
        return "\n".join([*lines, "", "# No reception: nothing looks like a signal strength in dBm."]) + "\n"
    where, _, items = reception
    lines += ["", "[reception]"]
    if where is not None:
        lines.append(f"list_at = {_toml(where)}")
    return "\n".join([*lines, *_fields(ReceptionMap, _RECEPTION, items, [])]) + "\n"


def _uplinks(message: Any) -> tuple[str | None, Any]:
    """Return the pointer to the list of uplinks and its first; None and the message where it is one uplink."""
    if candidates("dev_eui", list(leaves(message))) and candidates("payload", list(leaves(message))):
        return None, message
    for pointer, items in lists(message):
        held = list(leaves(items[0]))
        # A gateway's EUI looks as a probe's; but a reception tells a signal strength.
        if candidates("payload", held) and not (candidates("rssi_dbm", held) and not candidates("dev_eui", held)):
            return pointer, items[0]
    return None, message


def _reception(uplink: Any) -> tuple[str | None, list[Leaf], list[Leaf]] | None:
    """Return the list pointer (None: in the uplink itself), the leaves it takes from the uplink, and those to map."""
    for pointer, items in lists(uplink):
        held = list(leaves(items[0]))
        if candidates("rssi_dbm", held):
            return pointer, [], held
    own = list(leaves(uplink))
    likely = [told for told in candidates("rssi_dbm", own) if told.score > 0]
    if not likely:
        return None
    euis = candidates("dev_eui", own)
    others = [leaf for leaf in own if not euis or leaf.pointer != euis[0].leaf.pointer]
    # What stands beside the signal strength is rather its gateway's than what stands elsewhere.
    beside = likely[0].leaf.pointer.rpartition("/")[0] + "/"
    others.sort(key=lambda leaf: not leaf.pointer.startswith(beside))
    names = ("rssi_dbm", "snr_db", "latitude_deg", "longitude_deg", "antenna", "gateway")
    of_gateway = [told[0].leaf for name in names if (told := candidates(name, others)) and told[0].score > 0]
    return None, of_gateway, of_gateway


def _fields(
    model: type[UplinkMap | ReceptionMap], order: tuple[str, ...], found: list[Leaf], around: list[Leaf]
) -> Iterator[str]:
    chosen: dict[str, str] = {}
    taken: set[str] = set()
    for field in order:
        free = [leaf for leaf in found if leaf.pointer not in taken]
        told, within = candidates(field, free), ""
        if not told:
            told, within = candidates(field, around), 'within = "message"'
        if told:
            if field not in _SHARED:
                taken.add(told[0].leaf.pointer)
            chosen[field] = _line(field, [_inside(one, within) for one in told])
        elif field in (*REQUIRED, "gateway"):
            reading = _WRITTEN_AS.get(field, "")
            value = _value(f"{_NOT_FOUND}/{field}", reading)
            chosen[field] = f"{field} = {value}  # NOT FOUND: nothing looks like it; write where it stands"
    return (chosen[name] for name in model.model_fields if name in chosen)


def _inside(candidate: Candidate, within: str) -> Candidate:
    parts = [part for part in (within, candidate.reading) if part]
    return replace(candidate, reading=", ".join(parts))


def _line(field: str, told: list[Candidate]) -> str:
    best = told[0]
    line = f"{field} = {_value(best.leaf.pointer, best.reading)}"
    others = [one.leaf.pointer for one in told[1:] if one.score >= best.score - 1]
    if others:
        more = ", ..." if len(others) > _OTHERS_SHOWN else ""
        line += f"  # doubt: {', '.join(_toml(one) for one in others[:_OTHERS_SHOWN])}{more} could be it, too"
    elif best.score <= 0:
        line += "  # doubt: by its value alone"
    return line


def _value(pointer: str, reading: str) -> str:
    return f"{{ at = {_toml(pointer)}{', ' + reading if reading else ''} }}"


def _toml(text: str) -> str:
    # A JSON string is a TOML basic string, but for what JSON lets pass: DEL, and halves of surrogate pairs.
    written = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    return "".join(one if not 0xD800 <= ord(one) <= 0xDFFF else "\N{REPLACEMENT CHARACTER}" for one in written)
