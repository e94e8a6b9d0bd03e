"""An explanation as a person reads it: one numbered step after the other, from the bytes to the verdict."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from loamline.app.explain_lines import grid, heading, indented, line
from loamline.app.explain_soil_text import curve, soil, uncertainty, water_content, zone
from loamline.app.output import rfc3339
from loamline.app.text import plain
from loamline.core.explaining.words import number
from loamline.core.explanation import difference_sentence
from loamline_codecs.layout_table import spans

Told = dict[str, Any]
_COLOURS = {"pass": "green", "suspect": "yellow", "fail": "red"}


def reading_text(reading: Told) -> RenderableType:
    """Return one reading's derivation."""
    title = f"depth {reading['depth_index']}, measured at {rfc3339(reading['measured_at'])}"
    if "uplink" not in reading:
        return Group(Rule(title), *_agreement(reading, 1))
    steps = (
        *(_uplink, _payload, _instant, _registry, _permittivity),
        *(water_content, uncertainty, soil, zone),
        *(_checks, _verdict, _agreement),
    )
    lines: list[RenderableType] = [Rule(title)]
    for step_number, step in enumerate(steps, 1):
        lines += step(reading, step_number)
    return Group(*lines)


def set_aside_text(told: list[Told]) -> RenderableType:
    """Return the uplinks near the asked instant that no codec reads."""
    table = Table("heard (UTC)", "fcnt", "FPort", "reason", "sentence", "payload", title="set aside near that time")
    for kept in told:
        table.add_row(
            rfc3339(kept["heard_at"]),
            str(kept["fcnt"]),
            str(kept["fport"]),
            kept["reason"],
            plain(kept["detail"]),
            kept["hex"],
        )
    return table


def _uplink(reading: Told, step: int) -> Iterator[RenderableType]:
    told = reading["uplink"]
    deliveries = told["deliveries"]
    yield heading(step, f"heard: {_counted(len(deliveries), 'delivery', 'deliveries')}, one uplink")
    yield line(
        f"heard at {rfc3339(told['heard_at'])} by {_counted(told['gateways'], 'gateway', 'gateways')}, frame counter "
        f"{told['fcnt']} (32 bits: {told['fcnt32']}, session {told['session']}), {told['lost_before']} lost before it"
    )
    table = grid("delivery", "heard (UTC)", "clock", "gateway", "RSSI", "SNR", "signal power", "margin", "")
    for delivery in deliveries:
        factor = delivery["spreading_factor"]
        first = [
            f"{delivery['seq']}" + ("" if factor is None else f" SF{factor}"),
            rfc3339(delivery["heard_at"]),
            delivery["heard_at_source"],
        ]
        for reception in delivery["receptions"] or [None]:
            table.add_row(*first, *_reception(reception))
            first = ["", "", ""]
    yield indented(table)


def _reception(told: Told | None) -> list[Text]:
    if told is None:
        return [plain("no gateway told")]
    antenna = "" if told["antenna"] is None else f" antenna {told['antenna']}"
    units = (("rssi_dbm", "dBm"), ("snr_db", "dB"), ("expected_signal_power_dbm", "dBm"), ("margin_db", "dB"))
    figures = [plain("" if told[name] is None else f"{told[name]:.2f} {unit}") for name, unit in units]
    return [plain(told["gateway"] + antenna), *figures, plain("" if told["counted"] else "told again, not counted")]


def _payload(reading: Told, step: int) -> Iterator[RenderableType]:
    told = reading["payload"]
    yield heading(step, f"payload, read by {told['codec']} (digest {told['codec_digest']})")
    yield line(f"FPort {told['fport']}, {told['hex']}")
    table = grid("byte", "bit", "field", "raw", "means", "")
    for leaf in told["fields"]:
        means = ""
        if leaf["quantity"] is not None and leaf["physical"] is not None:
            unit = "" if leaf["unit"] in (None, "1") else f" {leaf['unit']}"
            means = f"{leaf['quantity']} {number(leaf['physical'])}{unit}"
        note = "reserved" if leaf["reserved"] else leaf["note"]
        place = spans(leaf["first_bit"], leaf["bits"])
        table.add_row(*place, leaf["path"], str(leaf["raw"]), plain(means), plain(note))
    yield indented(table)


def _instant(reading: Told, step: int) -> Iterator[RenderableType]:
    told = reading["instant"]
    yield heading(step, "instant")
    yield line(
        f"{told['formula']} = {rfc3339(told['heard_at'])} - {told['age_minutes']} min = {rfc3339(told['measured_at'])}"
    )
    rivals = reading["same_instant"]
    if len(rivals) > 1:
        yield line(f"{len(rivals)} samples of that instant; the least aged counts, then the earliest heard:")
        table = grid("measured (UTC)", "heard (UTC)", "fcnt", "age", "count", "permittivity", "degC", "")
        for rival in rivals:
            table.add_row(
                rfc3339(rival["measured_at"]),
                rfc3339(rival["heard_at"]),
                str(rival["fcnt"]),
                f"{rival['age_minutes']} min",
                number(rival.get("moisture_count")),
                number(rival.get("permittivity")),
                number(rival.get("soil_temperature_degc")),
                "counts" if rival["counts"] else "",
            )
        yield indented(table)


def _registry(reading: Told, step: int) -> Iterator[RenderableType]:
    state, record, placement = reading["registry_state"], reading["record"], reading["placement"]
    yield heading(step, "registry, in the state that made the figure")
    if state is not None:
        recorded = rfc3339(state["recorded_at"])
        digest = f", digest {state['digest']}" if state["digest"] else ""
        yield line(f"state {state['reference_id']}, recorded {recorded}: {state['note']}{digest}")
    yield line("probe: in no registry" if record is None else f"probe: {_named(record)}")
    yield line("placement: none at that instant" if placement is None else f"placement: {_named(placement)}")


def _named(row: Told) -> str:
    told = {name: value for name, value in row.items() if value is not None and name != "dev_eui"}
    return ", ".join(f"{name} {_shown(value)}" for name, value in told.items())


def _shown(value: object) -> str:
    if isinstance(value, datetime):
        return rfc3339(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number(value) if isinstance(value, float) else str(value)


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _permittivity(reading: Told, step: int) -> Iterator[RenderableType]:
    told = reading["transducer"]
    yield heading(step, f"permittivity: {number(told['permittivity'])}")
    x = told["relative_count"]
    if told["reported"] is None and x["formula"] is not None:
        yield line(f"{x['formula']} = {number(x['result'])}")
    yield from curve(told)


def _checks(reading: Told, step: int) -> Iterator[RenderableType]:
    yield heading(step, f"checks (limits digest {reading['made_by']['limits_digest']})")
    for check in reading["checks"]:
        yield line(f"{check['check']}: {check['flag']}: {check['reason']}", _COLOURS.get(check["flag"], ""))
        thresholds = ", ".join(f"{name} {_threshold(value)}" for name, value in check["thresholds"].items())
        yield Padding(plain(thresholds, "dim"), (0, 0, 0, 6), expand=False)
        for name, value in check["evidence"].items():
            if value is None or name in ("permittivity", "vwc_m3_m3", "soil_temperature_degc"):
                continue
            shown = _named(value) if isinstance(value, dict) else _shown(value)
            yield Padding(plain(f"{name}: {shown}", "dim"), (0, 0, 0, 6), expand=False)


def _threshold(value: Any) -> str:
    return " to ".join(number(part) for part in value) if isinstance(value, list) else number(value)


def _verdict(reading: Told, step: int) -> Iterator[RenderableType]:
    told = reading["roll_up"]
    yield heading(step, f"verdict: {told['verdict']}")
    yield line(told["sentence"])


def _agreement(reading: Told, step: int) -> Iterator[RenderableType]:
    yield heading(step, "recomputed and compared with the store")
    if reading["agrees"]:
        yield line("every figure, flag and digest recomputed from the raw log equals the stored one", "green")
        return
    differences = reading["differences"]
    yield line(
        f"recomputing gives something else than what is stored, in {_counted(len(differences), 'column', 'columns')}:",
        "red",
    )
    for difference in differences:
        yield line(f"  {difference_sentence(difference)}", "red")
