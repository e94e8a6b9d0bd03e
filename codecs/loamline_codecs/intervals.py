"""How long an interval between two samples a payload can name."""

from __future__ import annotations

from fractions import Fraction

from loamline_codecs.declaration import Codec
from loamline_codecs.fields import Fields
from loamline_codecs.possible import Possible

#: Stands for an interval of which the declaration does not say how long it can be: a week.
UNBOUNDED_MINUTES = 7 * 24 * 60


def longest_interval_minutes(codec: Codec) -> float:
    """Return the longest interval that a payload of this codec can name, 0 for a codec whose payloads name none."""
    longest = 0.0
    for quantity in codec.quantities:
        if quantity.name == "interval_minutes":
            values = Possible(codec, Fields(codec.layout)).values(quantity.field)
            if not values:
                return UNBOUNDED_MINUTES
            a, b, c = quantity.ratio
            longest = max(longest, *(float(Fraction(a * int(raw) + b, c)) for raw in (min(values), max(values))))
    return longest
