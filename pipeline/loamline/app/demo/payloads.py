"""A waking's figures as payload bytes, through the codecs' own builders."""

from __future__ import annotations

from typing import Any, ClassVar

from loamline.app.demo.fleet import Character, Probe
from loamline.app.demo.probe_series import FAULT, SUPPLY_LOW_V, Readings
from loamline_codecs import CodecSet, builtin_codecs

_CODEC_OF = {"P1": "measurement-v1", "P2": "measurement-v2", "P3": "measurement-v3", "D4": "measurement-v4"}
_INTERVAL_MINUTES = 60
#: Why a probe last started; power-up unless its character says otherwise.
_RESET_CAUSES: dict[Character, str] = {"weak link": "watchdog", "silent": "brown-out"}
#: What a transmission takes from the supply, V.
_SAG_V = 0.24


class PayloadWriter:
    """Builds payloads of every version; `codecs` defaults to the built-in family."""

    #: Version 3 carries at most seven older samples.
    MOST_OLDER_SAMPLES: ClassVar[int] = 7

    def __init__(self, codecs: CodecSet | None = None) -> None:
        codecs = builtin_codecs() if codecs is None else codecs
        self._codecs = {hardware: codecs.by_name(name) for hardware, name in _CODEC_OF.items()}
        self._status = codecs.by_name("status-v1")

    def measurement(
        self,
        probe: Probe,
        readings: Readings,
        row: int,
        *,
        older: int,
        sample_counter: int,
        tilted: bool,
        cold_start: bool,
    ) -> bytes:
        """Return the payload of `readings`' row, with `older` samples before it where the version carries them."""
        supply_v = float(readings.supply_v[row])
        uplink: dict[str, Any] = {"supply_v": supply_v, "firmware": probe.firmware}
        counter_size = 4096 if probe.hardware == "P2" else 65536
        uplink["sample_counter"] = sample_counter % counter_size
        if probe.hardware != "P1":
            uplink |= {"tilted": tilted, "cold_start": cold_start, "supply_low": supply_v < SUPPLY_LOW_V}
        if probe.hardware == "P3":
            uplink["interval_minutes"] = _INTERVAL_MINUTES
            samples = [
                {"age_minutes": back * _INTERVAL_MINUTES, **_sample(readings, row - back, 0)}
                for back in range(older + 1)
            ]
        else:
            samples = [_sample(readings, row, depth_index) for depth_index in range(len(probe.depths_cm))]
        return self._codecs[probe.hardware].build(uplink=uplink, samples=samples)

    def status(self, probe: Probe, *, supply_v: float, hours_since_power_up: int, transmissions: int) -> bytes:
        """Return a status payload; the supply is that at rest."""
        return self._status.build(
            uplink={
                "firmware": probe.firmware,
                "reset_cause": _RESET_CAUSES.get(probe.character, "power-up"),
                "supply_rest_v": supply_v,
                "supply_transmit_v": supply_v - _SAG_V,
                "hours_since_power_up": hours_since_power_up,
                "transmissions": transmissions,
            },
            samples=[],
        )


def _sample(readings: Readings, row: int, depth_index: int) -> dict[str, Any]:
    sample: dict[str, Any] = {
        "depth_index": depth_index,
        "soil_temperature_degc": float(readings.soil_temperature_degc[row, depth_index]),
    }
    if readings.counts is None:
        sample["permittivity"] = float(readings.permittivity[row, depth_index])
        if readings.conductivity_ds_m is not None:
            sample["conductivity_ds_m"] = float(readings.conductivity_ds_m[row, depth_index])
    else:
        count = int(readings.counts[row, depth_index])
        sample["moisture_count"] = None if count == FAULT else count
    return sample
