"""`loamline codec build`: the payload that says given figures, for bench tests of firmware."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.output import CommandError, errors, print_json
from loamline_codecs import BuildError, Codec, Quantity
from loamline_codecs.quantities import FLAGS

_OF_A_SAMPLE = re.compile(r"samples\[(\d{1,4})\]\.(\w+)")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")


def build_command(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Which codec; `codec list` names them.")],
    figures: Annotated[
        list[str] | None,
        typer.Argument(metavar="FIELD=VALUE...", help="Figures; `codec layout NAME` lists the fields."),
    ] = None,
    spaced: Annotated[bool, typer.Option("--spaced", help="A space between bytes.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print FPort and hex as JSON for a script.")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Print the payload, in hex, that says the given figures: what a probe would send.

    A FIELD is a quantity, such as supply_v, or firmware (as in firmware=2.5), or one of a sample's, in the payload's
    order: samples[0].moisture_count; without samples[0] where there is one sample. A VALUE is a number in the
    quantity's unit, yes, no, none (nothing measured), a label, or a fault's sentence such as "transducer fault".

    What isn't given of the message is 0, and of a sample nothing measured.
    """
    try:
        codec = known_codecs(codec_dir).by_name(name)
    except KeyError as problem:
        raise CommandError(f"codec: {problem.args[0]}") from None
    given = _given(codec, figures or [])
    try:
        payload = codec.build(given.uplink, given.samples)
    except BuildError as problem:
        raise CommandError(f"{problem}{_hint(codec, given, str(problem))}") from None
    for note in given.rounded:
        errors.print(note, style="yellow", markup=False, soft_wrap=True)
    if as_json:
        print_json({"port": codec.match.fport, "hex": payload.hex()})
    else:
        typer.echo(payload.hex(" ") if spaced else payload.hex())


def _hint(codec: Codec, given: _Given, problem: str) -> str:
    """Return what to add to a complaint about no field that was given: the samples, where there are none."""
    about = problem.removeprefix(f"codec {codec.name}: ").partition(":")[0]
    told = about == "firmware" or any(quantity.name == about for quantity in codec.quantities)
    sample = next((q.name for group in codec.samples if group.repeat for q in group.quantities), None)
    if told or given.samples or sample is None:
        return ""
    return f"; no sample was given, such as by samples[0].{sample}=..."


@dataclass
class _Given:
    """What was given: for the message, for each sample, and what the payload can say only nearly."""

    uplink: dict[str, Any] = field(default_factory=dict)
    samples: list[dict[str, Any]] = field(default_factory=list)
    rounded: list[str] = field(default_factory=list)


def _given(codec: Codec, words: Sequence[str]) -> _Given:
    given = _Given()
    places: dict[int, dict[str, Any]] = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals:
            raise CommandError(f"expected FIELD=VALUE, such as supply_v=3.6, got {word!r}", 2)
        place, quantity = _field(codec, name)
        into = given.uplink if place is None else places.setdefault(place, {})
        plain = quantity.name if quantity else name
        if plain in into:
            raise CommandError(f"{name}: expected one value, got another: {text!r}", 2)
        into[plain] = text if quantity is None else _value(name, quantity, text)
        if quantity is not None:
            given.rounded += _rounded(name, quantity, into[plain])
    if "firmware" in given.uplink and (also := given.uplink.keys() & {"firmware_major", "firmware_minor"}):
        raise CommandError(f"expected firmware, or firmware_major and firmware_minor, got firmware and {min(also)}", 2)
    given.samples = _in_order(codec, places)
    return given


def _field(codec: Codec, name: str) -> tuple[int | None, Quantity | None]:
    """Return which sample a field belongs to, None for the message's, and its quantity, None for firmware."""
    of_message = {quantity.name: quantity for quantity in codec.quantities}
    of_samples = _of_samples(codec)
    if name in of_message:
        return None, of_message[name]
    if name == "firmware" and {"firmware_major", "firmware_minor"} <= of_message.keys():
        return None, None
    if found := _OF_A_SAMPLE.fullmatch(name):
        if found[2] in of_samples:
            return int(found[1]), _quantity(codec, int(found[1]), found[2])
    elif name in of_samples:
        most = len(codec.samples)
        if most > 1:
            whole = " or ".join(f"samples[{place}].{name}" for place in range(most))
            raise CommandError(f"{name}: expected {whole}, since {codec.name} carries {most} samples, got {name}", 2)
        return 0, of_samples[name]
    known = [*(["firmware"] if {"firmware_major", "firmware_minor"} <= of_message.keys() else []), *of_message]
    known += [f"samples[0].{one}" for one in of_samples]
    raise CommandError(f"{codec.name}: expected a field among {', '.join(known)}, got {name!r}", 2)


def _of_samples(codec: Codec) -> dict[str, Quantity]:
    return {quantity.name: quantity for group in codec.samples for quantity in group.quantities}


def _quantity(codec: Codec, place: int, name: str) -> Quantity:
    """Return a quantity as the sample at `place` has it: groups may scale it differently."""
    group = codec.samples[min(place, len(codec.samples) - 1)]
    return next((quantity for quantity in group.quantities if quantity.name == name), _of_samples(codec)[name])


def _value(name: str, quantity: Quantity, text: str) -> Any:
    """Return what a value stands for: None, a number, or a sentence that the builder knows."""
    sentences = [*quantity.labels.values(), *quantity.sentinels.values()]
    if text in sentences:
        return text
    if text == "none":
        return None
    if quantity.name in FLAGS and text in ("yes", "no"):
        return int(text == "yes")
    if _NUMBER.fullmatch(text):
        return int(text) if re.fullmatch(r"[+-]?\d+", text) else float(text)
    expected = "yes or no" if quantity.name in FLAGS else "a number"
    if sentences:
        expected += f", or {'one of ' if len(sentences) > 1 else ''}{', '.join(sentences)}"
    raise CommandError(f"{name}: expected {expected}, got {text!r}", 2)


def _rounded(name: str, quantity: Quantity, figure: Any) -> Iterator[str]:
    """Yield what the payload says instead of a figure between two steps."""
    if isinstance(figure, int | float) and abs(figure) < 1e300:
        said = quantity.physical(quantity.raw(figure))
        if said is not None and abs(said - figure) > 1e-9 * max(1.0, abs(figure)):
            yield f"{name}: {figure:.10g} lies between two steps of {quantity.scale}; the payload says {said:.10g}"


def _in_order(codec: Codec, places: dict[int, dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the samples by their place; every one up to the last has to be given."""
    missing = next((place for place in range(len(places)) if place not in places), None)
    if missing is not None:
        name = next(iter(_of_samples(codec)))
        raise CommandError(
            f"expected samples[0] to samples[{max(places)}], got no samples[{missing}]; "
            f"samples[{missing}].{name}=none says that it failed",
            2,
        )
    return [places[place] for place in sorted(places)]
