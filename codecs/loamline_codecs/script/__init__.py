"""A codec written as a JavaScript decoder, for customers who decode on a network server of their own.

The interface is the LoRa Alliance's payload codec API, TS013-1.0.0: `decodeUplink(input)` with `bytes`, `fPort`
and `recvTime`, returning `data`, `errors` and `warnings`. Those names are given from memory of the specification.
A float in a warning is spelled as JavaScript spells it ("1", "NaN"), which Python does otherwise ("1.0", "nan").
"""

from loamline_codecs.script.emit import script

__all__ = ["script"]
