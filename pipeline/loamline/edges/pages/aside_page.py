"""What was kept without being read: uplinks that no codec reads, taken apart as far as they go, and other messages."""

from __future__ import annotations

from dataclasses import dataclass

from loamline.edges.pages.asked import Asked, Page
from loamline.edges.store.kept import Kept
from loamline.edges.store.page_aside import count_kept, kept_page
from loamline_codecs import Codec, CodecSet, Refusal
from loamline_codecs.dissect import Leaf, dissect
from loamline_codecs.lengths import length_in_words
from loamline_schemas.key_tables import Scope

_A_PAGE = 40
#: Bytes of a message that are shown; all of them are kept.
_SHOWN_BYTES = 600


@dataclass(frozen=True)
class Shown:
    """One thing kept: its first bytes in hex and, for a message, as text; and what the codecs say of it.

    `leaves`: its fields where a codec reads it by now. `refusals`: the codecs of its port, and what each reads.
    `octets`: those first bytes.
    """

    kept: Kept
    size_bytes: int
    text: str | None
    leaves: tuple[Leaf, ...]
    codec: str | None
    refusals: list[tuple[str, str]]
    octets: bytes


def show(asked: Asked) -> Page:
    """Return the page; a customer's tells of its own probes' uplinks, and of no messages."""
    asked.caller.check(Scope.FLEET)
    excerpt = asked.excerpt(count_kept(asked.store, asked.customer), _A_PAGE)
    rows = kept_page(asked.store, asked.customer, excerpt.size, excerpt.start)
    told = [_shown(asked.codecs, kept) for kept in rows]
    return Page("aside.html.jinja", "Set aside", {"rows": told, "excerpt": excerpt})


def _shown(codecs: CodecSet, kept: Kept) -> Shown:
    content = bytes.fromhex(kept.hex)
    text = content[:_SHOWN_BYTES].decode("utf-8", errors="replace") if kept.kind == "message" else None
    leaves: tuple[Leaf, ...] = ()
    codec: str | None = None
    refusals: list[tuple[str, str]] = []
    if kept.kind == "uplink" and kept.fport is not None:
        found = dissect(codecs, kept.fport, content)
        if isinstance(found, Refusal):
            refusals = [(one.name, _lengths(one)) for one in codecs.codecs if one.match.fport == kept.fport]
        else:
            leaves, codec = found.leaves, found.message.codec.name
    short = Kept(**{**vars(kept), "hex": kept.hex[: 2 * _SHOWN_BYTES]})
    return Shown(short, len(content), text, leaves, codec, refusals, content[:_SHOWN_BYTES])


def _lengths(codec: Codec) -> str:
    return f"reads {length_in_words(codec)}"
