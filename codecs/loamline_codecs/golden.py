"""The golden engine: payloads with the figures that they must give, as text files in a `replay_fixtures` folder.

A file's folder names the codec that must read it; in `malformed/` no codec may. `replay_fixtures/README.md` shows
the format. Text in, text or a problem out; only `Golden` reads and writes files.
"""

from __future__ import annotations

import difflib
import re
import shlex
from dataclasses import dataclass
from pathlib import Path

from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import BuildError, Codec, Message, Refusal, Sample
from loamline_codecs.dissect import dissect, label_of, reserved_mask
from loamline_codecs.quantities import FLAGS

#: The folder of payloads that must be refused.
MALFORMED = "malformed"
#: The command that rewrites the built-in codecs' expectations.
UPDATE = "uv run pytest tests/codecs --update-goldens"
#: How many cases a codec must have at least.
FEWEST_CASES = 3
_FORM = re.compile(
    r"(?P<given>(?:#.*\n)+\n?uplink:\n  port +(?P<port>\d+)\n  hex *(?P<hex>[0-9A-Fa-f ]*)\n)\s*(?P<expected>(?s:.*))"
)


def builtin_folder() -> Path:
    """Return where the built-in codecs' cases lie in a checkout; absent where the package came as a wheel."""
    return Path(__file__).parents[2] / "replay_fixtures"


def private_folder(codec_file: Path) -> Path:
    """Return where the cases of a private codec lie: beside its file."""
    return codec_file.parent / "replay_fixtures"


def private_update(name: str, codec_file: Path) -> str:
    """Return the command that rewrites a private codec's expectations."""
    return f"loamline codec check {name} --codec-dir {shlex.quote(str(codec_file.parent))} --update-goldens"


@dataclass(frozen=True)
class Case:
    """A golden file's text: `given` down to the payload, `expected` from there on (empty where it is missing)."""

    given: str
    fport: int
    payload: bytes
    expected: str


def read_case(text: str) -> Case | str:
    """Return a golden file's parts, or what is wrong with its form."""
    found = _FORM.fullmatch(text)
    if found is None:
        return 'expected lines of "# ...", then "uplink:", "  port N" and "  hex ..."; see replay_fixtures/README.md'
    digits = found["hex"].replace(" ", "")
    if len(digits) % 2:
        return f"hex: expected two digits a byte, got {len(digits)} digits"
    if int(found["port"]) > 255:
        return f"port: expected 0 to 255, got {found['port']}"
    return Case(found["given"], int(found["port"]), bytes.fromhex(digits), found["expected"])


def written_case(codecs: CodecSet, case: Case) -> str:
    """Return a golden file's text with what the payload says now."""
    read = codecs.parse(case.fport, case.payload)
    return f"{case.given}\n{as_refused(read) if isinstance(read, Refusal) else as_read(read)}"


def problem_of_case(codecs: CodecSet, folder: str, case: Case) -> str | None:
    """Return why a payload can't be a case of `folder`: read by another codec, or not to be rebuilt from its reading.

    What it expects is not looked at: no update may get round these.
    """
    read = codecs.parse(case.fport, case.payload)
    name = read.codec.name if isinstance(read, Message) else MALFORMED
    if name != folder:
        why = f": {read.detail}" if isinstance(read, Refusal) else ""
        return f"expected a payload for {folder}, got one for {name}{why}"
    return lossy(codecs, case.fport, case.payload)


def difference(codecs: CodecSet, case: Case, command: str) -> str | None:
    """Return how a payload's reading differs from the expectation, with the command that would accept it."""
    if not case.expected:
        return f"expected what the payload says, got no expectation. Write it with: {command}"
    got = written_case(codecs, case).removeprefix(f"{case.given}\n")
    if case.expected == got:
        return None
    changes = difflib.ndiff(case.expected.splitlines(), got.splitlines())
    told = "\n".join(line for line in changes if line[0] in "-+")
    if not told:
        told = "(only the line endings at the end of the file)"
    return f"expected the lines with -, got those with +\n{told}\nIf those are right: {command}"


def lossy(codecs: CodecSet, fport: int, payload: bytes) -> str | None:
    """Return how a payload fails to come back from what was read out of it, reserved bits aside; None if it does."""
    found = dissect(codecs, fport, payload)
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
    return f"expected to be rebuilt from its reading as {expected.hex(' ')}, got {rebuilt.hex(' ')}: something is lost"


@dataclass(frozen=True)
class Examined:
    """One golden file, looked at: its name as it is told, its payload where it has the form of a case, and a problem.

    `uplink`: FPort and payload. `problem`: what is wrong, without the file's name; None where nothing is.
    """

    label: str
    uplink: tuple[int, bytes] | None
    problem: str | None


@dataclass(frozen=True)
class Golden:
    """The golden cases under `folder`, and what is wrong with one of them; `command` rewrites expectations."""

    folder: Path
    codecs: CodecSet
    command: str = UPDATE

    def paths(self) -> list[Path]:
        """Return every case, by folder and name."""
        names = [*(codec.name for codec in self.codecs.codecs), MALFORMED]
        return [path for name in names for path in self.paths_of(name)]

    def paths_of(self, name: str) -> list[Path]:
        """Return the cases of one codec, by name."""
        return sorted((self.folder / name).glob("*.txt"))

    def uplinks(self) -> list[tuple[int, bytes]]:
        """Return the port and payload of every case that has the form of one."""
        found = [read_case(_text(path)) for path in self.paths()]
        return [(case.fport, case.payload) for case in found if isinstance(case, Case)]

    def problem(self, path: Path, *, update: bool = False) -> str | None:
        """Return what is wrong with a case, as sentences with the file and the command; None where nothing is.

        With `update` the expectation is rewritten first, unless the payload can't be rebuilt from what it says.
        """
        found = self.examined(path, update=update)
        return None if found.problem is None else f"{found.label}: {found.problem}"

    def examined(self, path: Path, *, update: bool = False) -> Examined:
        """Look at one case, and rewrite its expectation as `problem` does."""
        label = str(path.relative_to(self.folder.parent))
        uplink = None
        try:
            case = read_case(_text(path))
            if isinstance(case, str):
                return Examined(label, None, case)
            uplink = case.fport, case.payload
            told = problem_of_case(self.codecs, path.parent.name, case)
            if told or not update:
                return Examined(label, uplink, told or difference(self.codecs, case, self.command))
            text = written_case(self.codecs, case)
            if text != _text(path):
                path.write_text(text, encoding="utf-8", newline="\n")
        except OSError as problem:
            why = f"expected to {'rewrite' if uplink else 'read'} it, got {problem.strerror}"
            return Examined(label, uplink, why)
        return Examined(label, uplink, None)


def _text(path: Path) -> str:
    """Return a file's text; bytes that are no UTF-8 become marks, which no form allows outside comments."""
    return path.read_text(encoding="utf-8", errors="replace")


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


def plain(figure: float | None) -> str:
    """Return a figure with all its digits and no more."""
    return "none" if figure is None else str(int(figure) if figure.is_integer() else figure)


def _said(codec: Codec, sample: Sample) -> dict[str, float | str | None]:
    """Return a sample for the builder, each fault by the sentence that tells which fault it is."""
    said: dict[str, float | str | None] = dict(sample.figures)
    for quantity in (quantity for group in codec.samples for quantity in group.quantities):
        if said.get(quantity.name) is None:
            said[quantity.name] = next((text for text in quantity.sentinels.values() if text in sample.faults), None)
    return said


def _sample(sample: Sample) -> str:
    age = f"{sample.age_minutes} minutes older" if sample.age_minutes else "now"
    figures = ", ".join(f"{name} {plain(figure)}" for name, figure in sample.figures.items())
    return f"depth {sample.depth_index}, {age}: {figures}" + "".join(f"; {fault}" for fault in sample.faults)
