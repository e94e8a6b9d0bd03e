"""What is wrong in a fleet, from facts at an instant: pure rules, each with its onset, its clearing and what to do.

Every rule looks at a bounded stretch of the newest uplinks alone, never at what it said before, so that problems in
force depend on the set of uplinks and the instant, not on the order in which either came. Between onset and clearing
lies a band in which a problem stays; one whose onset has left the stretch, and that nothing in it calls for, is over.

kind            begins                                              ends
nothing heard   nothing from any probe for 150 minutes              the first uplink
gateway quiet   no uplink through it for twice its own longest      the first uplink through it, or 30 days
                pause, 150 minutes at least
silent          later than 2.5 of its own usual intervals, 150      the first uplink, or no longer placed
                minutes at least
never heard     placed for over an hour                             the first uplink, or no longer placed
low supply      2 uplinks in a row that sag or fail the check       3 in a row that pass
stuck           a stuck value in one uplink                         2 in a row that pass
weak link       median margin of 5 uplinks under 3 dB               5 dB or more
frost           soil at or under 0 degC in one uplink               2 in a row without a doubt
conflicts       two samples of one instant that disagree            none left in the stretch
not registered  heard, and no factory record                        the record, or a week without an uplink
mixed firmware  two firmware versions on one hardware revision      one

Silence is told against the newest uplink of the whole store: while nobody is heard, it is our ears that are closed,
and that is told once. A probe that is not placed may be silent. The figures are common practice, and so is the hour
that a new probe may need for its first message.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isnan
from statistics import median

from loamline.core.columns import DAY_US, HOUR_US, MINUTE_US
from loamline.core.problem_kinds import Kind

#: The stretch that rules look at: so many of a probe's newest uplinks, none older than this before its newest.
STRETCH_UPLINKS, STRETCH_US = 24, 3 * DAY_US
#: A gateway is taken as heard in slots of this length, of which so many are known; fewer tell no usual pause.
SLOT_US, SLOTS, LEAST_SLOTS = 10 * MINUTE_US, 32, 8

SILENT_INTERVALS, SILENT_US, USUAL_INTERVAL_US = 2.5, 150 * MINUTE_US, HOUR_US
FIRST_MESSAGE_US = HOUR_US
QUIET_PAUSES, FORGOTTEN_GATEWAY_US = 2, 30 * DAY_US
STRANGER_US = 7 * DAY_US
WEAK_UPLINKS, WEAK_BELOW_DB, WEAK_UNTIL_DB = 5, 3.0, 5.0


@dataclass(frozen=True)
class Heard:
    """One uplink: when, and its margin over the demodulation floor, dB; NaN where no gateway told."""

    at_us: int
    margin_db: float


@dataclass(frozen=True)
class Told:
    """What one uplink's readings say: of each check True for bad, False for good, None for neither."""

    at_us: int
    low_supply: bool | None = None
    stuck: bool | None = None
    frost: bool | None = None
    conflicts: int = 0


@dataclass(frozen=True)
class ProbeFacts:
    """A probe at an instant. `heard` and `told` are its stretch, the oldest first; `placed_since_us` None: not now."""

    dev_eui: str
    registered: bool
    placed_since_us: int | None
    heard: tuple[Heard, ...] = ()
    told: tuple[Told, ...] = ()


@dataclass(frozen=True)
class Moment:
    """Our clock, and the newest uplink of the whole store, None for none; microseconds since 1970."""

    now_us: int
    newest_us: int | None

    @property
    def heard_until_us(self) -> int:
        """Until when somebody was heard: what silence is told against."""
        return self.now_us if self.newest_us is None else min(self.now_us, self.newest_us)


@dataclass(frozen=True)
class Problem:
    """One problem of one subject: since when, and the figures in words."""

    kind: Kind
    since_us: int
    detail: str


@dataclass(frozen=True)
class Due:
    """When time alone may change a subject's problems: by our clock, and by `Moment.heard_until_us`; None: never."""

    now_us: int | None = None
    heard_until_us: int | None = None


def usual_interval_us(heard: Sequence[Heard]) -> int:
    """Return the median spacing of uplinks; an hour where fewer than three are known."""
    spacing = [later - sooner for sooner, later in pairwise(sorted(one.at_us for one in heard)) if later > sooner]
    return int(median(spacing)) if len(spacing) >= 2 else USUAL_INTERVAL_US


def probe_due(facts: ProbeFacts) -> Due:
    """Return when silence is next to be asked about."""
    if not facts.heard:
        return Due(None if facts.placed_since_us is None else facts.placed_since_us + FIRST_MESSAGE_US)
    last = facts.heard[-1].at_us
    if not facts.registered:
        return Due(None, last + STRANGER_US)
    return Due() if facts.placed_since_us is None else Due(None, _late_after_us(facts, facts.placed_since_us))


def probe_problems(facts: ProbeFacts, moment: Moment) -> list[Problem]:
    """Return a probe's problems at that moment, the gravest first."""
    found = [
        _absent(facts, moment),
        _run(Kind.LOW_SUPPLY, ((told.at_us, told.low_supply) for told in facts.told), bad=2, good=3),
        _run(Kind.STUCK, ((told.at_us, told.stuck) for told in facts.told), bad=1, good=2),
        _weak(facts.heard),
        _run(Kind.FROST, ((told.at_us, told.frost) for told in facts.told), bad=1, good=2),
        _conflicts(facts.told),
        _stranger(facts, moment),
    ]
    return [problem for problem in found if problem is not None]


def gateway_due(slots: Sequence[int]) -> Due:
    """Return when a gateway (its newest slots, the oldest first) is next to be asked about."""
    if len(slots) < LEAST_SLOTS:
        return Due()
    return Due(None, slots[-1] + _patience_us(slots))


def forgotten_after_us(slots: Sequence[int]) -> int:
    """Return when a gateway that stays quiet is taken to be gone for good."""
    return slots[-1] + FORGOTTEN_GATEWAY_US


def gateway_problems(slots: Sequence[int], moment: Moment) -> list[Problem]:
    """Return a gateway's problems at that moment."""
    due = gateway_due(slots).heard_until_us
    if due is None or not due < moment.heard_until_us <= forgotten_after_us(slots):
        return []
    return [Problem(Kind.GATEWAY_QUIET, slots[-1], f"usual pauses up to {_span(_patience_us(slots) // QUIET_PAUSES)}")]


def firmware_problems(counts: Mapping[str, int], since_us: int) -> list[Problem]:
    """Return the problem of one hardware revision, by how many of its placed probes run which firmware."""
    told = {name: count for name, count in sorted(counts.items()) if count > 0}
    if len(told) < 2:
        return []
    return [Problem(Kind.MIXED_FIRMWARE, since_us, ", ".join(f"{name} on {count}" for name, count in told.items()))]


def store_due(newest_us: int | None) -> Due:
    """Return when to ask whether anything is heard at all."""
    return Due(None if newest_us is None else newest_us + SILENT_US)


def store_problems(moment: Moment) -> list[Problem]:
    """Return the problems of the store as a whole."""
    due = store_due(moment.newest_us).now_us
    if moment.newest_us is None or due is None or moment.now_us <= due:
        return []
    return [Problem(Kind.NOTHING_HEARD, moment.newest_us, "no uplink of any probe")]


def _late_after_us(facts: ProbeFacts, placed_since_us: int) -> int:
    patience = max(SILENT_US, round(SILENT_INTERVALS * usual_interval_us(facts.heard)))
    # Placed again after a time in the shed: it may need its hour, as a new one.
    return max(facts.heard[-1].at_us + patience, placed_since_us + FIRST_MESSAGE_US)


def _absent(facts: ProbeFacts, moment: Moment) -> Problem | None:
    placed = facts.placed_since_us
    if placed is None or not facts.registered:
        return None
    if not facts.heard:
        late = moment.now_us > placed + FIRST_MESSAGE_US
        return Problem(Kind.NEVER_HEARD, placed, "placed, and no uplink yet") if late else None
    if moment.heard_until_us <= _late_after_us(facts, placed):
        return None
    detail = f"usual interval {_span(usual_interval_us(facts.heard))}"
    return Problem(Kind.SILENT, max(facts.heard[-1].at_us, placed), detail)


def _stranger(facts: ProbeFacts, moment: Moment) -> Problem | None:
    if facts.registered or not facts.heard or moment.heard_until_us > facts.heard[-1].at_us + STRANGER_US:
        return None
    return Problem(Kind.NOT_REGISTERED, facts.heard[0].at_us, f"{len(facts.heard)} uplinks of late")


def _weak(heard: Sequence[Heard]) -> Problem | None:
    known = [one for one in heard if not isnan(one.margin_db)]
    since: int | None = None
    usual_db = 0.0
    for end in range(WEAK_UPLINKS, len(known) + 1):
        usual_db = median(one.margin_db for one in known[end - WEAK_UPLINKS : end])
        if usual_db < WEAK_BELOW_DB and since is None:
            since = known[end - 1].at_us
        elif usual_db >= WEAK_UNTIL_DB:
            since = None
    return None if since is None else Problem(Kind.WEAK_LINK, since, f"margin {usual_db:.1f} dB")


def _run(kind: Kind, told: Iterable[tuple[int, bool | None]], *, bad: int, good: int) -> Problem | None:
    """Return the problem that begins after `bad` bad uplinks in a row and ends after `good` good ones."""
    since: int | None = None
    first_bad = bads = goods = 0
    for at, is_bad in told:
        if is_bad is None:
            continue
        if is_bad:
            first_bad = first_bad if bads else at
            bads, goods = bads + 1, 0
            if bads >= bad and since is None:
                since = first_bad
        else:
            bads, goods = 0, goods + 1
            if goods >= good:
                since = None
    return None if since is None else Problem(kind, since, "")


def _conflicts(told: Sequence[Told]) -> Problem | None:
    disagree = [one for one in told if one.conflicts]
    if not disagree:
        return None
    return Problem(Kind.CONFLICTS, disagree[0].at_us, f"{sum(one.conflicts for one in disagree)} of late")


def _patience_us(slots: Sequence[int]) -> int:
    return max(SILENT_US, QUIET_PAUSES * max(later - sooner for sooner, later in pairwise(slots)))


def _span(us: int) -> str:
    minutes = round(us / MINUTE_US)
    return f"{minutes} min" if minutes < 180 else f"{minutes / 60:.3g} h"
