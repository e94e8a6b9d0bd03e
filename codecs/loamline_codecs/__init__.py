"""Codecs: declarations of payload versions and the two executors that read payloads by them.

Input: FPort and payload bytes. Output: physical quantities, or the reason why not. No I/O; the only package
that knows construct.
"""

from loamline_codecs.batch import Decoded
from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import (
    BuildError,
    Codec,
    DeclarationError,
    Match,
    Message,
    Quantity,
    Refusal,
    Sample,
    SampleGroup,
)
from loamline_codecs.loading import BUILT_IN, builtin_codecs, load_codecs

__all__ = [
    "BUILT_IN",
    "BuildError",
    "Codec",
    "CodecSet",
    "DeclarationError",
    "Decoded",
    "Match",
    "Message",
    "Quantity",
    "Refusal",
    "Sample",
    "SampleGroup",
    "builtin_codecs",
    "load_codecs",
]
