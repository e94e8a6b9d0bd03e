"""The labelled years, judged: false alarms and faults found, by check and by situation."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

import numpy as np

from loamline.core.checks.contact import check_contact
from loamline.core.checks.fall import check_fall
from loamline.core.checks.frost import check_frost
from loamline.core.checks.range_bounds import check_range
from loamline.core.checks.series import Series, Thresholds
from loamline.core.checks.spike import check_spike
from loamline.core.checks.stuck import check_stuck
from loamline.core.checks.supply import check_supply
from loamline_schemas.limits import Limits
from loamline_schemas.verdicts import Verdict
from tests.rates.faults import KINDS, Label, inject
from tests.rates.ground import YEAR_HOURS
from tests.rates.situations import SITUATIONS, Situation
from tests.rates.transducer import Raw

CHECKS = ("range", "spike", "stuck", "frost", "supply", "contact", "fall")
#: degC. Under it lies what the frost check is for: freezing, the thermistor's tolerance and its noise.
NEAR_FROST_DEGC = 0.75


@dataclass(frozen=True)
class Year:
    """One series of some years: its flags by check and its labels; `hour` of each sample, shape (m,)."""

    situation: Situation
    series: Series
    hour: np.ndarray
    flags: dict[str, np.ndarray]
    labels: tuple[Label, ...]
    #: The samples in no fault's span and far from frost, shape (m,).
    unlabelled: np.ndarray

    def false_alarms(self, check: str) -> int:
        """Return how many unlabelled samples a check calls suspect or fail."""
        return int(np.count_nonzero(blamed(self.flags[check]) & self.unlabelled))


def blamed(flags: np.ndarray) -> np.ndarray:
    """Return where a flag is suspect or fail."""
    return (flags == Verdict.SUSPECT) | (flags == Verdict.FAIL)


def flags_of(series: Series, limits: Thresholds) -> dict[str, np.ndarray]:
    """Return every check's flags of a series whose ground was not frozen before."""
    m = len(series.series)
    return {
        "range": check_range(series, limits)[0],
        "spike": check_spike(series, limits),
        "stuck": check_stuck(series, limits),
        "frost": check_frost(series, limits, np.zeros(m, dtype=bool)).flag,
        "supply": check_supply(series, limits),
        "contact": check_contact(series, limits),
        "fall": check_fall(series, limits),
    }


def thresholds(m: int, limits: Limits) -> Thresholds:
    """Return one set of limits for m samples."""
    columns = {}
    for name, value in limits.model_dump().items():
        if isinstance(value, tuple):
            columns[f"{name}_low"], columns[f"{name}_high"] = np.full(m, value[0]), np.full(m, value[1])
        else:
            columns[name] = np.full(m, float(value))
    return Thresholds(columns)


def observe(
    situation: Situation, seed: int, *, years: int = 1, faulty: bool = True, limits: Limits | None = None
) -> Year:
    """Draw some years of a situation and judge them under the shipped limits, or others."""
    rng = np.random.default_rng([seed, SITUATIONS.index(situation)])
    truth = situation.truth(rng, years * YEAR_HOURS)
    raw = Raw.of(situation, truth, rng)
    labels = inject(rng, raw) if faulty else ()
    series, hour = raw.series(rng)
    labels += _frosts(truth.soil_temperature_degc)
    # A fault is out of the way one sample after it; a sample before it is the spike check's neighbour.
    spans = np.zeros(years * YEAR_HOURS, dtype=bool)
    for label in labels:
        spans[max(label.begin - 1, 0) : label.end + 1] = True
    unlabelled = ~spans[hour] & (truth.soil_temperature_degc[hour] > NEAR_FROST_DEGC)
    flags = flags_of(series, thresholds(len(hour), limits or Limits()))
    return Year(situation, series, hour, flags, labels, unlabelled)


def _frosts(temperature: np.ndarray) -> tuple[Label, ...]:
    """Return each stretch of hours in which the ground is colder than the thermistor's noise under freezing."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], temperature < -0.2, [False]]).astype(int)))
    return tuple(Label("frost", int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


@dataclass
class Kind:
    """What became of the faults of one kind; delays in hours, of those found."""

    check: str
    faults: int = 0
    delays_h: list[int] = field(default_factory=list)

    @property
    def found(self) -> int:
        """How many were found."""
        return len(self.delays_h)

    @property
    def median_delay_h(self) -> float | None:
        """Return the median delay; None where nothing was found."""
        return median(self.delays_h) if self.delays_h else None


def found(year: Year) -> dict[str, Kind]:
    """Return, by kind of fault, how many its own check found within their span, and how late."""
    told = {kind: Kind(check) for kind, (check, _) in KINDS.items()} | {"frost": Kind("frost")}
    for label in year.labels:
        kind = told[label.kind]
        inside = (year.hour >= label.begin) & (year.hour < label.end)
        if not inside.any():
            continue
        kind.faults += 1
        flags = year.flags[kind.check]
        # A fault code is told by a flag of its own: missing.
        hit = blamed(flags) | (flags == Verdict.MISSING if label.kind == "fault code" else False)
        if (hit & inside).any():
            kind.delays_h.append(int(year.hour[np.argmax(hit & inside)] - label.begin))
    return told


def together(years: list[Year]) -> dict[str, Kind]:
    """Return `found` of several series as one."""
    told: dict[str, Kind] = {}
    for year in years:
        for name, kind in found(year).items():
            whole = told.setdefault(name, Kind(kind.check))
            whole.faults += kind.faults
            whole.delays_h += kind.delays_h
    return told
