"""The page on the codecs is the one that their declarations give."""

from __future__ import annotations

import re
from pathlib import Path

from loamline_codecs import BUILT_IN
from loamline_codecs.layout_table import table
from loamline_codecs.readme import COMMAND, readme

_FILE = Path(__file__).parents[2] / "codecs/README.md"


def test_the_committed_page_is_the_one_that_the_declarations_give() -> None:
    committed = _FILE.read_text(encoding="utf-8") if _FILE.exists() else ""
    assert committed == readme(), f"codecs/README.md is not what the declarations say; make it again with: {COMMAND}"


def test_the_page_names_the_command_that_makes_it_at_its_top() -> None:
    assert COMMAND in readme().splitlines()[0]


def test_the_page_lists_every_codec_and_links_to_its_section() -> None:
    text = readme()
    headlines = re.findall(r"^## (.+)$", text, flags=re.MULTILINE)
    for codec in BUILT_IN:
        assert codec.name in headlines
        assert f"[{codec.name}](#{codec.name})" in text
        assert codec.digest in text
        assert all(f"`{row.field}`" in text for row in table(codec) if row.field)
