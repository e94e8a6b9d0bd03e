"""The golden engine: payloads with the figures that they must give, as text files in `replay_fixtures/`.

A file's folder names the codec that must read it; in `malformed/` no codec may. `replay_fixtures/README.md`
shows the format. `uv run pytest tests/codecs --update-goldens` rewrites the expectations.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from loamline_codecs import BuildError, Codec, CodecSet, Message, Refusal, Sample, builtin_codecs
from loamline_codecs.dissect import dissect, label_of, reserved_mask
from loamline_codecs.quantities import FLAGS

ROOT = Path(__file__).parents[2]
UPDATE = "uv run pytest tests/codecs --update-goldens"
#: The folder of payloads that must be refused.
MALFORMED = "malformed"
_CASE = re.compile(
    r"(?P<given>(?:#.*\n)+\n?uplink:\n  port +(?P<port>\d+)\n  hex *(?P<hex>[0-9A-Fa-f ]*)\n)\s*(?P<expected>(?s:.*))"
)


@dataclass(frozen=True)
class Golden:
    """The golden cases under `folder`, and what is wrong with one of them."""

    folder: Path
    codecs: CodecSet

    def paths(self) -> list[Path]:
        """Return every case, by folder and name."""
        names = [*(codec.name for codec in self.codecs.codecs), MALFORMED]
        return [path for name in names for path in sorted((self.folder / name).glob("*.txt"))]

    def uplinks(self) -> list[tuple[int, bytes]]:
        """Return the port and payload of every case."""
        found = [_CASE.fullmatch(path.read_text()) for path in self.paths()]
        return [(int(case["port"]), bytes.fromhex(case["hex"])) for case in found if case]

    def problem(self, path: Path, *, update: bool = False) -> str | None:
        """Return what is wrong with a case, as sentences with the file and the command; None where nothing is.

        With `update` the expectation is rewritten first, unless the payload can't be rebuilt from what it says.
        """
        told = self._problem(path, update=update)
        return None if told is None else f"{path.relative_to(self.folder.parent)}: {told}"

    def _problem(self, path: Path, *, update: bool) -> str | None:
        case = _CASE.fullmatch(path.read_text())
        if case is None:
            return (
                'expected lines of "# ...", then "uplink:", "  port N" and "  hex ..."; see replay_fixtures/README.md'
            )
        port, payload = int(case["port"]), bytes.fromhex(case["hex"])
        read = self.codecs.parse(port, payload)
        problem = self._misplaced(path.parent.name, read) or self._lossy(port, payload)
        if problem:
            return problem
        got = as_refused(read) if isinstance(read, Refusal) else as_read(read)
        if update:
            path.write_text(f"{case['given']}\n{got}")
        elif not case["expected"]:
            return f"expected what the payload says, got no expectation. Write it with: {UPDATE}"
        elif case["expected"] != got:
            changes = difflib.ndiff(case["expected"].splitlines(), got.splitlines())
            told = "\n".join(line for line in changes if line[0] in "-+")
            return f"expected the lines with -, got those with +\n{told}\nIf those are right: {UPDATE}"
        return None

    def _misplaced(self, folder: str, read: Message | Refusal) -> str | None:
        name = read.codec.name if isinstance(read, Message) else MALFORMED
        if name == folder:
            return None
        why = f": {read.detail}" if isinstance(read, Refusal) else ""
        return f"expected a payload for {folder}, got one for {name}{why}"

    def _lossy(self, port: int, payload: bytes) -> str | None:
        """A payload must come back from what was read out of it, but for its reserved bits."""
        found = dissect(self.codecs, port, payload)
        if isinstance(found, Refusal):
            return None
        message = found.message
        try:
            rebuilt = message.codec.build(message.uplink, [_said(message.codec, sample) for sample in message.samples])
        except BuildError as problem:
            return f"expected to be rebuilt from its reading, got: {problem}"
        mask = reserved_mask(found.leaves, len(payload))
        expected = bytes(octet & kept for octet, kept in zip(payload, mask, strict=True))
        if rebuilt == expected:
            return None
        return (
            f"expected to be rebuilt from its reading as {expected.hex(' ')}, got {rebuilt.hex(' ')}: something is lost"
        )


def as_read(message: Message) -> str:
    """Return a message as the lines of a golden file."""
    lines = [] if message.firmware is None else [f"  firmware {message.firmware}"]
    for quantity in message.codec.quantities:
        figure = message.uplink[quantity.name]
        if quantity.name not in ("firmware_major", "firmware_minor"):
            told = "yes" if figure else "no"
            if quantity.name not in FLAGS:
                told = str(label_of(message, quantity.name)) if quantity.labels else plain(figure)
            lines.append(f"  {quantity.name} {told}")
    return "\n".join(["reads as:", *lines, *(f"  {_sample(sample)}" for sample in message.samples)]) + "\n"


def as_refused(refusal: Refusal) -> str:
    """Return a refusal as the lines of a golden file."""
    return f"refused:\n  reason {refusal.reason}\n  sentence {refusal.detail}\n"


def _said(codec: Codec, sample: Sample) -> dict[str, float | str | None]:
    """Return a sample for the builder, each fault by the sentence that tells which fault it is."""
    said: dict[str, float | str | None] = dict(sample.figures)
    for quantity in (quantity for group in codec.samples for quantity in group.quantities):
        if said.get(quantity.name) is None:
            said[quantity.name] = next((text for text in quantity.sentinels.values() if text in sample.faults), None)
    return said


def plain(figure: float | None) -> str:
    """Return a figure with all its digits and no more."""
    return "none" if figure is None else str(int(figure) if figure.is_integer() else figure)


def _sample(sample: Sample) -> str:
    age = f"{sample.age_minutes} minutes older" if sample.age_minutes else "now"
    figures = ", ".join(f"{name} {plain(figure)}" for name, figure in sample.figures.items())
    return f"depth {sample.depth_index}, {age}: {figures}" + "".join(f"; {fault}" for fault in sample.faults)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option that rewrites expectations."""
    parser.addoption("--update-goldens", action="store_true", help="rewrite what the golden payloads must give")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Make one test a golden file."""
    if "golden_path" in metafunc.fixturenames:
        paths = _shipped().paths()
        metafunc.parametrize("golden_path", paths, ids=[f"{path.parent.name}/{path.stem}" for path in paths])


def _shipped() -> Golden:
    return Golden(ROOT / "replay_fixtures", builtin_codecs())


@pytest.fixture(scope="session")
def golden() -> Golden:
    """The shipped golden cases."""
    return _shipped()


@pytest.fixture(scope="session")
def update_goldens(pytestconfig: pytest.Config) -> bool:
    """Whether expectations are to be rewritten; the option is unknown where this folder wasn't named."""
    return bool(pytestconfig.getoption("update_goldens", default=False))
