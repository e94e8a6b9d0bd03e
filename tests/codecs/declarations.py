"""Random small declarations that load, from every kind of node that can be read as columns.

`random_codec` draws on a `random.Random`, so that the campaign and Hypothesis share one generator: Hypothesis passes
one of its own (`declarations`), whose draws it can shrink.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pprint import pformat

from hypothesis import strategies as st

from loamline_codecs import Codec, DeclarationError, Match, Quantity, SampleGroup
from loamline_codecs.declaration import Bound
from loamline_codecs.fields import Fields
from loamline_codecs.outline import outline
from loamline_codecs.possible import Possible
from loamline_codecs.quantities import SAMPLE_QUANTITIES, UPLINK_QUANTITIES
from loamline_codecs.validation import validate
from tests.codecs.random_layouts import LayoutMaker

#: The FPort of every random codec.
FPORT = 7
#: How often a draft may be unfit; seldom more than one is.
_MOST_DRAFTS = 60


def declarations() -> st.SearchStrategy[Codec]:
    """Return the strategy of random codecs."""
    return st.randoms(use_true_random=False).map(random_codec)


def as_text(codec: Codec) -> str:
    """Return a declaration as text that shows what is wrong with how it is read."""
    layout = pformat(outline(codec.layout), width=118, compact=True)
    rest = [codec.match, *codec.quantities, *codec.samples, *codec.bounds]
    return "\n".join([layout, *(repr(one) for one in rest)])


def random_codec(rng: random.Random, name: str = "random-v1") -> Codec:
    """Return a codec that loads: a layout of some few fields, every number in it mapped or deciding."""
    for _ in range(_MOST_DRAFTS):
        codec = draft(rng, name)
        try:
            validate(codec)
        except DeclarationError as problem:
            unfit = problem
        else:
            return codec
    raise AssertionError(f"expected one of {_MOST_DRAFTS} drafts to load, got none") from unfit


def draft(rng: random.Random, name: str) -> Codec:
    """Return a codec that nearly always loads: a random bound may leave a branch out of reach."""
    leading_bits = rng.choice([0, 0, 4, 8, 3])
    match = Match(FPORT, leading_bits, rng.randrange(1 << leading_bits))
    layout = LayoutMaker(rng).whole(match)
    bare = Codec(name, "A random declaration.", "measurement", match, layout, (), longest_age_minutes=(1 << 31) - 1)
    return _Meaning(rng, bare).given()


# Meanings -----------------------------------------------------------------------------------------------

_SCALES = ("1", "0.01", "0.1", "0.0625", "-0.5", "100", "0.004", "1e-3", "0.123456789")
_OFFSETS = ("0", "0", "-40", "2.000", "0.3", "273.15")


@dataclass
class _Meaning:
    """Maps every number of a bare codec's layout to quantities."""

    rng: random.Random
    codec: Codec

    def __post_init__(self) -> None:
        self.fields = Fields(self.codec.layout)
        self.possible = Possible(self.codec, self.fields)

    def given(self) -> Codec:
        """Return the codec with quantities, samples and bounds."""
        lists = {path for path, kinds in self.fields.kinds.items() if "list" in kinds}
        numbers = [path for path, kinds in self.fields.kinds.items() if "number" in kinds and self.is_free(path)]
        outside = [path for path in numbers if not any(path.startswith(f"{one}.") for one in lists)]
        self.rng.shuffle(outside)
        kept = self.rng.randrange(len(UPLINK_QUANTITIES))
        names = self.rng.sample(list(UPLINK_QUANTITIES), len(UPLINK_QUANTITIES))
        quantities = [self.quantity(name, path, path) for name, path in zip(names, outside[:kept], strict=False)]
        samples = [*self.groups(outside[kept:], None)]
        for one in sorted(lists):
            inside = [path for path in numbers if path.startswith(f"{one}.")]
            if not any(one.startswith(f"{other}.") for other in lists):
                samples += self.groups(inside, one)
        return Codec(
            **{name: getattr(self.codec, name) for name in ("name", "description", "message", "match", "layout")},
            quantities=tuple(quantities),
            samples=tuple(samples),
            bounds=tuple(self.bounds(outside)),
            longest_age_minutes=self.codec.longest_age_minutes,
        )

    def is_free(self, path: str) -> bool:
        """Whether a number is none of a list's list, and not always the same."""
        return not any(spot.fixed for spot in self.fields.leaves if spot.path == path) and "(" not in path

    def groups(self, paths: list[str], repeat: str | None) -> list[SampleGroup]:
        """Samples of up to four figures each, so many that every path is in one."""
        found = []
        skipped = [
            f"{one}." for one in self.fields.kinds if repeat and one.startswith(f"{repeat}.") and self.is_list(one)
        ]
        paths = [path for path in paths if not path.startswith(tuple(skipped))]
        while paths:
            names = self.rng.sample(list(SAMPLE_QUANTITIES), self.rng.randint(1, len(SAMPLE_QUANTITIES)))
            taken, paths = paths[: len(names)], paths[len(names) :]
            own = [path[len(repeat) + 1 :] if repeat else path for path in taken]
            quantities = tuple(self.quantity(*each) for each in zip(names, own, taken, strict=False))
            if repeat is None:
                found.append(SampleGroup(quantities, depth_index=self.rng.randrange(4)))
            else:
                depth_index = self.rng.choice([0, 3, None])
                found.append(SampleGroup(quantities, repeat, depth_index, self.interval()))
        return found

    def is_list(self, path: str) -> bool:
        return "list" in self.fields.kinds[path]

    def interval(self) -> str | None:
        """A number that may tell minutes, outside of every list."""
        lists = [f"{path}." for path in self.fields.kinds if self.is_list(path)]
        fitting = [
            path
            for path in self.fields.kinds
            if (span := self.possible.width(path)) is not None and span.start >= 0 and span.stop <= 1 << 16
            if not path.startswith(tuple(lists)) and "(" not in path
        ]
        return self.rng.choice([*fitting, None]) if fitting else None

    def quantity(self, name: str, path: str, whole_path: str) -> Quantity:
        rng, span = self.rng, self.possible.width(whole_path)
        unit = (UPLINK_QUANTITIES | SAMPLE_QUANTITIES)[name]
        span = range(1 << 12) if span is None else span
        ends = [span[0], span[-1], span[len(span) // 2], span[min(1, len(span) - 1)]]
        codes = rng.sample(sorted(set(ends)), rng.randint(0, min(2, len(set(ends)))))
        sentinels = {code: f"fault {code}" for code in codes}
        low, high = sorted((rng.choice(ends), rng.choice(ends)))
        return Quantity(
            name,
            path,
            unit,
            scale=rng.choice(_SCALES),
            offset=rng.choice(_OFFSETS),
            sentinels=sentinels,
            valid=(low, high) if rng.randrange(2) else None,
        )

    def bounds(self, paths: list[str]) -> list[Bound]:
        decided = {resolved for _, _, resolved in self.fields.cited()}
        found = []
        for path in paths:
            span = self.possible.width(path)
            if span is not None and len(span) > 2 and path not in decided and not self.rng.randrange(6):
                found.append(Bound(path, span[0] + self.rng.randrange(2), span[-1] - self.rng.randrange(2)))
        return found if self.rng.randrange(2) else []
