"""What an explanation says of the uplink: its deliveries, its payload taken apart, and the samples it rivalled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from loamline.core.columns import MINUTE_US, Ints, instant, ints, whole
from loamline.core.explaining.words import Fields
from loamline.core.identity import Uplinks, sessions
from loamline.core.radio import expected_signal_power_dbm, margin_db
from loamline_codecs import CodecSet, Message, Refusal, Sample
from loamline_codecs.dissect import Dissection, dissect
from loamline_schemas.uplink import HEARD_AT_SOURCES


@dataclass(frozen=True)
class Log:
    """One probe's whole raw log: n deliveries, the k uplinks that they merge into, and the codecs that read them."""

    deliveries: pa.Table
    uplinks: Uplinks
    codecs: CodecSet

    def payload(self, uplink: int) -> tuple[int, bytes]:
        """Return an uplink's FPort and payload."""
        row = int(self.uplinks.first[uplink])
        return self.deliveries["fport"][row].as_py(), self.deliveries["payload"][row].as_py()

    def message(self, uplink: int) -> Message | Refusal:
        """Return what an uplink's payload says, or why no codec reads it."""
        return self.codecs.parse(*self.payload(uplink))


def find_sample(log: Log, reading: dict[str, Any]) -> tuple[int, Sample] | None:
    """Return the uplink and sample that `reading` came from; None where the raw log holds none.

    Uplinks heard at once with one counter are told apart by the sample; if they agree on it, any one stands for all.
    """
    same = (log.uplinks.heard_at_us == reading["heard_at_us"]) & (log.uplinks.fcnt == reading["fcnt"])
    for uplink in np.flatnonzero(same).tolist():
        message = log.message(uplink)
        for sample in () if isinstance(message, Refusal) else message.samples:
            if _is_of(sample, reading):
                return uplink, sample
    return None


def _is_of(sample: Sample, reading: dict[str, Any]) -> bool:
    told = {name: value for name, value in sample.figures.items() if value is not None}
    return (
        sample.depth_index == reading["depth_index"]
        and sample.age_minutes == reading["age_minutes"]
        and all(reading[name] == value for name, value in told.items())
    )


def uplink_told(log: Log, uplink: int) -> Fields:
    """Return the uplink's identity, radio figures and every delivery that was merged into it."""
    uplinks = log.uplinks
    address = ints(whole(log.deliveries, "dev_addr"))[uplinks.first]
    told = sessions(uplinks.probe_id, uplinks.heard_at_us, address, uplinks.fcnt)
    rows = np.flatnonzero(uplinks.uplink_of == uplink).tolist()
    deliveries = [_delivery(row) for row in log.deliveries.take(pa.array(rows)).to_pylist()]
    deliveries.sort(key=lambda delivery: (delivery["heard_at"], delivery["digest"]))
    _mark_counted(deliveries)
    return {
        "heard_at": instant(uplinks.heard_at_us[uplink]),
        "fcnt": int(uplinks.fcnt[uplink]),
        "fcnt32": int(told.fcnt32[uplink]),
        "session": int(told.session[uplink]),
        "lost_before": int(told.lost_before[uplink]),
        "gateways": int(uplinks.gateways[uplink]),
        "best_rssi_dbm": _known(uplinks.best_rssi_dbm[uplink]),
        "best_snr_db": _known(uplinks.best_snr_db[uplink]),
        "deliveries": deliveries,
    }


def _delivery(row: Fields) -> Fields:
    names = ("seq", "fcnt", "fport", "heard_at", "network", "spreading_factor", "frequency_hz", "bandwidth_hz")
    return {
        **{name: row[name] for name in (*names, "coding_rate", "confirmed", "reference_id", "stored_at")},
        "heard_at_source": HEARD_AT_SOURCES[row["heard_at_source"]],
        "dev_addr": None if row["dev_addr"] is None else f"{row['dev_addr']:08X}",
        "digest": f"{row['digest']:016x}",
        "receptions": [_reception(told, row["spreading_factor"]) for told in row["receptions"]],
    }


def _reception(told: Fields, spreading_factor: int | None) -> Fields:
    rssi, snr = (np.array(np.nan if told[name] is None else told[name]) for name in ("rssi_dbm", "snr_db"))
    factor = np.array(np.nan if spreading_factor is None else float(spreading_factor))
    return {
        **{name: told[name] for name in ("gateway", "antenna", "rssi_dbm", "snr_db", "heard_at")},
        "expected_signal_power_dbm": _known(expected_signal_power_dbm(rssi, snr)),
        "margin_db": _known(margin_db(snr, factor)),
    }


def _mark_counted(deliveries: list[Fields]) -> None:
    """Mark the one reception of each gateway and antenna that counts: its best SNR, then its best RSSI."""
    best: dict[tuple[Any, Any], Fields] = {}
    for reception in (reception for delivery in deliveries for reception in delivery["receptions"]):
        reception["counted"] = False
        key = (reception["gateway"], reception["antenna"])
        if key not in best or _strength(reception) > _strength(best[key]):
            best[key] = reception
    for reception in best.values():
        reception["counted"] = True


def _strength(reception: Fields) -> tuple[float, float]:
    snr, rssi = reception["snr_db"], reception["rssi_dbm"]
    return (-np.inf if snr is None else snr, -np.inf if rssi is None else rssi)


def payload_told(log: Log, uplink: int, sample: Sample) -> Fields:
    """Return the payload as hex, every field of it with its bits, and the figures of the sample in question."""
    fport, payload = log.payload(uplink)
    told = dissect(log.codecs, fport, payload)
    if not isinstance(told, Dissection):
        raise TypeError(f"expected a payload that was read before, got {told.detail}")
    codec = told.message.codec
    return {
        "fport": fport,
        "hex": payload.hex(),
        "codec": codec.name,
        "codec_digest": codec.digest,
        "description": codec.description,
        "firmware": told.message.firmware,
        "uplink": dict(told.message.uplink),
        "sample": {
            "depth_index": sample.depth_index,
            "age_minutes": sample.age_minutes,
            **sample.figures,
            "faults": list(sample.faults),
        },
        "fields": [
            {
                "path": leaf.path,
                "first_bit": leaf.first_bit,
                "bits": leaf.bits,
                "raw": leaf.raw,
                "reserved": leaf.reserved,
                "quantity": leaf.quantity,
                "physical": leaf.physical,
                "unit": leaf.unit,
                "note": leaf.note,
            }
            for leaf in told.leaves
        ],
    }


def rivals(log: Log, reading: dict[str, Any], span_us: tuple[int, int], kept: int) -> list[Fields]:
    """Return every sample that was weighed as the same instant's, in order of instant and hearing.

    `span_us`: first and last instant of them. `kept`: the uplink of the one that counts.
    """
    first, last = span_us
    heard = log.uplinks.heard_at_us
    near = (heard >= first) & (heard <= last + log.codecs.longest_age_minutes * MINUTE_US)
    told = []
    for uplink in np.flatnonzero(near).tolist():
        message = log.message(uplink)
        for sample in () if isinstance(message, Refusal) else message.samples:
            at = int(heard[uplink]) - sample.age_minutes * MINUTE_US
            if sample.depth_index != reading["depth_index"] or not first <= at <= last:
                continue
            counts = uplink == kept and sample.age_minutes == reading["age_minutes"]
            told.append(
                {
                    "measured_at": instant(at),
                    "heard_at": instant(heard[uplink]),
                    "fcnt": int(log.uplinks.fcnt[uplink]),
                    "age_minutes": sample.age_minutes,
                    **sample.figures,
                    "counts": counts,
                }
            )
    told.sort(key=lambda sample: (sample["measured_at"], sample["heard_at"], sample["fcnt"]))
    return told


def refused_near(log: Log, refusals: dict[int, Refusal], at_us: int, within_us: int) -> list[Fields]:
    """Return the uplinks heard within so many microseconds of an instant that no codec reads, in order of time."""
    near: Ints = np.flatnonzero(np.abs(log.uplinks.heard_at_us - at_us) <= within_us)
    told = []
    for uplink in (number for number in near.tolist() if number in refusals):
        fport, payload = log.payload(uplink)
        refusal = refusals[uplink]
        told.append(
            {
                "heard_at": instant(log.uplinks.heard_at_us[uplink]),
                "fcnt": int(log.uplinks.fcnt[uplink]),
                "fport": fport,
                "hex": payload.hex(),
                "codec": refusal.codec,
                "reason": refusal.reason,
                "detail": refusal.detail,
            }
        )
    told.sort(key=lambda refused: (refused["heard_at"], refused["fcnt"], refused["hex"]))
    return told


def _known(figure: Any) -> float | None:
    return None if np.isnan(figure) else float(figure)
