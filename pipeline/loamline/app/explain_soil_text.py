"""The steps of an explanation from permittivity to zone, as a person reads them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from rich.console import RenderableType

from loamline.app.explain_lines import grid, heading, indented, line
from loamline.app.text import plain
from loamline.core.explaining.words import number

Told = dict[str, Any]
_WATER = ("wilting_point", "field_capacity", "saturation")


def water_content(reading: Told, step: int) -> Iterator[RenderableType]:
    """Yield the soil curve's step."""
    told = reading["soil"]
    yield heading(step, f"water content: {_with_unit(told['vwc_m3_m3'], 'm3/m3')}")
    yield from curve(told)


def curve(told: Told) -> Iterator[RenderableType]:
    """Yield one curve applied to one figure."""
    if told["curve"] is None:
        yield line(told["sentence"])
        return
    yield line(f"{told['formula']} = {number(told['result'])}")
    if (piece := told["piece"]) is not None:
        first, last = (f"({number(x)}, {number(y)})" for x, y in (piece["from_point"], piece["to_point"]))
        yield line(f"between {first} and {last}: {piece['formula']}")
    if (warmth := told["temperature"]) is not None:
        taken = "taken, since no soil temperature is known" if warmth["assumed"] else "the reading's soil temperature"
        degc, water = number(warmth["soil_temperature_degc"]), number(warmth["water_permittivity"])
        yield line(f"water has permittivity {water} at {degc} degC, {taken}; source: {warmth['source']}")
    yield line(told["sentence"])
    source = f"source: {told['source']}; " if told["source"] else ""
    yield line(f"{source}kind {told['kind']}, digest {told['digest']}")


def uncertainty(reading: Told, step: int) -> Iterator[RenderableType]:
    """Yield how far the water content can be trusted, and by what."""
    told = reading["uncertainty"]
    yield heading(step, f"standard uncertainty: {_with_unit(told['vwc_uncertainty_m3_m3'], 'm3/m3')}")
    yield line(told["sentence"])
    if told["causes"]:
        yield line(f"{told['formula']}; source: {told['source']}")
        table = grid("cause", "its uncertainty", "sensitivity", "m3/m3", "of the variance")
        for cause in told["causes"]:
            given, share = cause["input_standard_uncertainty"], cause["variance_percent"]
            table.add_row(
                plain(cause["meaning"]),
                "not told" if given is None else plain(f"{given:.3g} {_unit(cause['input_unit'])}".rstrip()),
                _rounded(cause["sensitivity"]),
                _rounded(cause["vwc_uncertainty_m3_m3"]),
                "" if share is None else f"{share:.1f} %",
            )
        yield indented(table)


def soil(reading: Told, step: int) -> Iterator[RenderableType]:
    """Yield what water the soil holds there, and how deep and how dry the crop draws."""
    yield heading(step, "soil and crop there")
    water, roots = reading["soil_water"], reading["root_zone"]
    if water is None or roots is None:
        yield line("none is known: the probe's depth is placed nowhere at that instant")
        return
    yield line(water["sentence"])
    if water["layer"] is not None:
        yield line(f"digest {water['layer']['digest']}")
    told = ((name, water[f"{name}_m3_m3"], water[f"{name}_origin"]) for name in _WATER)
    for origin, group in groupby(told, key=lambda figure: figure[2]):
        figures = ", ".join(f"{name} {_with_unit(figure, 'm3/m3')}" for name, figure, _ in group)
        yield line(f"{figures}: {origin}")
    yield line(f"depletion fraction p {number(roots['depletion_fraction'])}: {roots['depletion_fraction_origin']}")
    yield line(f"root depth {_with_unit(roots['root_depth_m'], 'm')}: {roots['root_depth_origin']}")
    if roots["crop"] is not None:
        yield line(f"crop {roots['crop']['crop']}, digest {roots['crop']['digest']}")


def zone(reading: Told, step: int) -> Iterator[RenderableType]:
    """Yield what is left for plants, and in which zone the reading stands."""
    available, told = reading["plant_available"], reading["zone"]
    if available is None or told is None:
        yield heading(step, "zone: none")
        yield line("neither soil nor crop is known")
        return
    yield heading(step, f"plant-available fraction: {number(available['result'])}, zone: {told['zone'] or 'none'}")
    if available["formula"] is not None:
        yield line(f"{available['formula']} = {number(available['result'])}")
    yield line(available["sentence"])
    yield line(f"deficit below {_with_unit(told['deficit_below_m3_m3'], 'm3/m3')}: {told['deficit_below_origin']}")
    yield line(f"excess above {_with_unit(told['excess_above_m3_m3'], 'm3/m3')}: {told['excess_above_origin']}")
    yield line(told["sentence"])
    yield line(f"source: {told['source']}")


def _with_unit(figure: float | None, unit: str) -> str:
    return "none" if figure is None else f"{number(figure)} {unit}"


def _rounded(figure: float | None) -> str:
    return "" if figure is None else f"{figure:.3g}"


def _unit(told: str) -> str:
    return "" if told == "1" else told
