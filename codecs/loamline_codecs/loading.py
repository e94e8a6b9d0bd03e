"""Where codecs come from: the built-in family, one literal tuple here, and private ones from folders."""

from __future__ import annotations

import runpy
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from loamline_codecs import measurement_v1, measurement_v2, measurement_v3, measurement_v4, status_v1
from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import Codec, DeclarationError

BUILT_IN = (
    measurement_v1.CODEC,
    measurement_v2.CODEC,
    measurement_v3.CODEC,
    measurement_v4.CODEC,
    status_v1.CODEC,
)


@cache
def builtin_codecs() -> CodecSet:
    """Return the built-in probe family's codecs."""
    return CodecSet(BUILT_IN)


def load_codecs(folders: Iterable[Path]) -> CodecSet:
    """Return the built-in codecs and those of every `*.py` file in `folders`, each of which names its own CODEC."""
    private = []
    for folder in folders:
        for path in sorted(folder.glob("*.py")):
            codec = runpy.run_path(str(path)).get("CODEC")
            if not isinstance(codec, Codec):
                raise DeclarationError(f"{path}: expected a Codec called CODEC, got {type(codec).__name__}")
            private.append(codec)
    return CodecSet((*BUILT_IN, *private))
