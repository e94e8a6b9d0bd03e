"""The README of `codecs/`, made from the built-in declarations: never edited by hand."""

from __future__ import annotations

from loamline_codecs.layout_markdown import as_markdown, match_in_words
from loamline_codecs.loading import BUILT_IN

#: The command that writes the file; named at its top and by the test that compares it.
COMMAND = "uv run loamline codec layout --all --out codecs/README.md"

_HEAD = f"""<!-- Made by `{COMMAND}`; edit the declarations instead. -->

# Codecs

One file in `loamline_codecs/` is one payload version: its bytes and bits, which messages it reads, and what each field
means. Everything else comes from that declaration: the parser and the columnar executor, the builder, the dissection
of a payload, and this page.

A payload version that has been released is never changed. A new firmware gets a new file, and no file builds on
another, so that a message of any age is read as it was meant. What no codec reads is kept, set aside with the reason.

## Adding one

1. `loamline codec new NAME --dir DIR` writes a commented declaration with golden cases that pass; draw the bytes at its
   top.
2. Declare layout, match rule and quantities: the recipe is in DEVELOPERS.md, "add a payload version".
3. `loamline codec check NAME-v1 --codec-dir DIR` says what is wrong, if anything; `loamline codec layout NAME-v1 --svg
   --codec-dir DIR` draws the payload.
4. To build it in: move it and its cases as the recipe says, and make this page again by the command at its top.

## Known payload versions
"""


def readme() -> str:
    """Return the README's text."""
    lines = ["| codec | reads | message | what it is |", "| --- | --- | --- | --- |"]
    lines += [
        f"| [{codec.name}](#{codec.name}) | {match_in_words(codec.match)} | {codec.message} | {codec.description} |"
        for codec in BUILT_IN
    ]
    return "\n".join([_HEAD, *lines, "", *(as_markdown(codec) for codec in BUILT_IN)])
