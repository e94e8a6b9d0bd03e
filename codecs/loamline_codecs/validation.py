"""What a declaration must fulfil before it may read a message; each fault is one sentence, told on loading.

A sentence says codec, field, expected, got and what to do. What the layout must fulfil by itself is in
`accounting`, what its quantities must in `meanings`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from loamline_codecs.accounting import layout_problems
from loamline_codecs.declaration import Codec, DeclarationError
from loamline_codecs.fields import Fields
from loamline_codecs.meanings import meaning_problems, reference_problems
from loamline_codecs.possible import Possible
from loamline_codecs.walkable import require_walkable

_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")

#: The longest age that the columns of a batch hold, minutes.
LONGEST_AGE = (1 << 31) - 1


def validate(codec: Codec) -> None:
    """Raise DeclarationError, saying which codec and field, for a declaration that can't be meant."""
    for problem in _head_problems(codec):
        raise DeclarationError(f"codec {codec.name}: {problem}")
    require_walkable(codec)
    for problem in problems(codec):
        raise DeclarationError(f"codec {codec.name}: {problem}")


def problems(codec: Codec) -> Iterator[str]:
    """Yield every fault of a layout that can be read, and of what is said about it, the most basic first."""
    fields = Fields(codec.layout)
    possible = Possible(codec, fields)
    yield from reference_problems(codec, fields)
    yield from layout_problems(codec, fields, possible)
    yield from meaning_problems(codec, fields, possible)


def _head_problems(codec: Codec) -> Iterator[str]:
    match = codec.match
    if not _NAME.fullmatch(codec.name):
        yield (
            "expected a name of lower-case letters, digits and hyphens, such as measurement-v5, "
            f"got {codec.name!r}; rename it"
        )
    if not codec.description.strip():
        yield "description: expected a sentence that says what the payload version is, got none; write one"
    if codec.message not in ("measurement", "status"):
        yield f"message: expected measurement or status, got {codec.message!r}; choose one"
    if not 1 <= match.fport <= 223:
        yield f"expected an application FPort, 1 to 223, got {match.fport}; LoRaWAN keeps the others for itself"
    if not (0 <= match.leading_bits <= 8 and 0 <= match.value < 1 << match.leading_bits):
        yield (
            f"expected 0 to 8 leading bits and a value that they hold, got {match.value} in {match.leading_bits} bits; "
            "correct the match rule"
        )
    if not 0 <= codec.longest_age_minutes <= LONGEST_AGE:
        yield f"longest_age_minutes: expected 0 to {LONGEST_AGE}, got {codec.longest_age_minutes}; correct it"
