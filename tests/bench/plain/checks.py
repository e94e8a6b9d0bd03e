"""The seven checks on one series, in order of time: plain loops, one flag a sample."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from loamline_schemas.limits import Span
from loamline_schemas.verdicts import RangeCause, Verdict
from tests.bench.plain.sample import HOUR_US, MINUTE_US, Sample

Series = list[Sample]
#: Samples that a median of the supply needs.
_LEAST_SAMPLES = 6


def check_range(sample: Sample) -> tuple[Verdict, RangeCause]:  # noqa: PLR0911 - one line a cause
    """Return flag and cause, the gravest first."""
    told, limits = sample.figures, sample.limits
    permittivity, vwc = sample.permittivity, sample.vwc_m3_m3
    if told.out_of_range:
        return Verdict.FAIL, RangeCause.RAW_OUT_OF_RANGE
    if _outside(told.soil_temperature_degc, limits.temperature_fail):
        return Verdict.FAIL, RangeCause.TEMPERATURE_FAIL
    if sample.outside_transducer:
        return Verdict.FAIL, RangeCause.OUTSIDE_TRANSDUCER_CURVE
    if permittivity < 1.0 or permittivity > 88.0:
        return Verdict.FAIL, RangeCause.PERMITTIVITY_FAIL
    if sample.outside_soil:
        return Verdict.FAIL, RangeCause.OUTSIDE_SOIL_CURVE
    if _outside(vwc, limits.vwc_fail):
        return Verdict.FAIL, RangeCause.VWC_FAIL
    if _outside(vwc, limits.vwc_suspect):
        return Verdict.SUSPECT, RangeCause.VWC_SUSPECT
    if told.moisture_fault or (math.isnan(vwc) and told.temperature_fault):
        return Verdict.MISSING, RangeCause.SENSOR_FAULT
    if math.isnan(vwc):
        return Verdict.NOT_EVALUATED, RangeCause.UNCALIBRATED
    return Verdict.PASS, RangeCause.NONE


def check_spike(series: Series) -> Iterator[Verdict]:
    """Yield whether a sample stands off both of its neighbours, unless a rise drains in part."""
    for i, sample in enumerate(series):
        if sample.figures.moisture_fault:
            yield Verdict.MISSING
            continue
        if not 0 < i < len(series) - 1:
            yield Verdict.NOT_EVALUATED
            continue
        before, after = series[i - 1], series[i + 1]
        left, right = sample.vwc_m3_m3 - before.vwc_m3_m3, sample.vwc_m3_m3 - after.vwc_m3_m3
        if not (_near(before, sample) and _near(sample, after)) or math.isnan(left) or math.isnan(right):
            yield Verdict.NOT_EVALUATED
            continue
        limits = sample.limits
        height = min(abs(left), abs(right)) if left * right > 0 else 0.0
        if left > 0 and left - right > limits.spike_kept_share * left:
            height = 0.0
        yield _graded(height, limits.spike_suspect, limits.spike_fail)


def check_stuck(series: Series) -> Iterator[Verdict]:
    """Yield whether the raw figure stood still over a day, or three, while the temperature moved."""
    raw = [_raw(sample) for sample in series]
    first = {"stuck_suspect_hours": 0, "stuck_fail_hours": 0}
    for i, sample in enumerate(series):
        limits, flag = sample.limits, Verdict.NOT_EVALUATED
        if sample.figures.moisture_fault:
            yield Verdict.MISSING
            continue
        for name, word in (("stuck_suspect_hours", Verdict.SUSPECT), ("stuck_fail_hours", Verdict.FAIL)):
            hours = getattr(limits, name)
            begin = sample.measured_at_us - round(hours * HOUR_US)
            start = first[name] = _at_or_after(series, begin, first[name])
            before = begin - round(limits.largest_gap_minutes * MINUTE_US)
            # Where the record reaches back, a sample stands at the window's beginning or a gap's length before it.
            if series[start].measured_at_us > begin and (start == 0 or series[start - 1].measured_at_us < before):
                continue
            known = [figure for figure in raw[start : i + 1] if not math.isnan(figure)]
            moved = max(known) - min(known) if known else math.nan
            if word == Verdict.SUSPECT and moved > limits.stuck_counts:
                flag = Verdict.PASS
            if not moved <= limits.stuck_counts or len(known) * sample.interval_minutes < hours * 60.0 / 2:
                continue
            warmth = _swing(series[start : i + 1])
            dead = word == Verdict.FAIL and moved == 0.0 and warmth == 0.0
            if warmth > limits.stuck_temperature_k or dead:
                flag = word
        yield Verdict.NOT_EVALUATED if math.isnan(raw[i]) else flag


def check_frost(series: Series) -> Iterator[Verdict]:
    """Yield whether the soil is frozen: from freezing until a full thaw."""
    frozen = False
    for sample in series:
        degc, limits = sample.figures.soil_temperature_degc, sample.limits
        freezing = degc <= limits.frost_at_degc
        decided = freezing or degc > limits.frost_at_degc + limits.frost_tolerance_k
        if decided:
            frozen = freezing
        if math.isnan(degc):
            yield Verdict.MISSING
        else:
            yield Verdict.FAIL if frozen else Verdict.PASS if decided else Verdict.SUSPECT


def check_supply(series: Series) -> Iterator[Verdict]:
    """Yield whether the supply is low, or fell under its own median by more than cold explains."""
    first = 0
    for i, sample in enumerate(series):
        limits, volts, low = sample.limits, _supply(sample), sample.told.get("supply_low")
        first = _at_or_after(series, sample.measured_at_us - round(limits.supply_window_hours * HOUR_US), first)
        if volts < limits.supply_fail_v:
            yield Verdict.FAIL
        elif volts < limits.supply_suspect_v or low == 1 or _sags(series, first, i):
            yield Verdict.SUSPECT
        else:
            yield Verdict.NOT_EVALUATED if math.isnan(volts) and low is None else Verdict.PASS


def check_contact(series: Series) -> Iterator[Verdict]:
    """Yield whether a probe stands tilted, or in air, or even swings in temperature like the air."""
    air = [s.permittivity <= s.limits.contact_air_permittivity or s.x < 0.0 for s in series]
    for i, sample in enumerate(series):
        tilted = sample.told.get("tilted")
        if sample.found.placement is None:
            yield Verdict.NOT_EVALUATED
        elif air[i] and _swings(series, air, i):
            yield Verdict.FAIL
        elif air[i] or tilted == 1:
            yield Verdict.SUSPECT
        elif sample.figures.moisture_fault:
            yield Verdict.MISSING
        else:
            known = not math.isnan(sample.permittivity) or tilted == 0
            yield Verdict.PASS if known else Verdict.NOT_EVALUATED


def check_fall(series: Series) -> Iterator[Verdict]:
    """Yield whether the soil lost water faster than it drains, under the lowest of three days."""
    # Samples without a water content are passed over, within one stay at one place.
    known: Series = []
    flags = [Verdict.MISSING if s.figures.moisture_fault else Verdict.NOT_EVALUATED for s in series]
    for i, sample in enumerate(series):
        if i and not _same_place(series[i - 1], sample):
            known = []
        if math.isnan(sample.vwc_m3_m3):
            continue
        known.append(sample)
        if len(known) > 1:
            flags[i] = _fall(known, series, i)
    yield from flags


def _fall(known: Series, series: Series, i: int) -> Verdict:
    """Return the flag of the last sample in `known`, which stands at `series[i]`."""
    before, sample = known[-2], known[-1]
    at, limits = sample.measured_at_us, sample.limits
    gap = round(limits.largest_gap_minutes * MINUTE_US)
    since = at - before.measured_at_us
    if since > gap:
        return Verdict.NOT_EVALUATED
    hours = max(since / HOUR_US, 1.0)
    step = before.vwc_m3_m3 - sample.vwc_m3_m3
    if not step > limits.fall_suspect_per_hour * hours or _near_frost(before) or _near_frost(sample):
        return Verdict.PASS
    begin = at - round(limits.fall_memory_hours * HOUR_US)
    lowest = min([before.vwc_m3_m3, *(s.vwc_m3_m3 for s in known[:-1] if s.measured_at_us >= begin)])
    drainage = limits.fall_drainage_per_hour if lowest > limits.fall_drains_above else 0.0
    flag = _graded(
        lowest - sample.vwc_m3_m3,
        (limits.fall_suspect_per_hour + drainage) * hours,
        (limits.fall_fail_per_hour + drainage) * hours,
    )
    after = _known_after(series, i)
    returned = at + round(limits.fall_return_hours * HOUR_US)
    highest = max((s.vwc_m3_m3 for s in after if s.measured_at_us <= returned), default=sample.vwc_m3_m3)
    if flag == Verdict.PASS or highest > (sample.vwc_m3_m3 + before.vwc_m3_m3) / 2:
        return Verdict.PASS
    right = after[0] if after else None
    alone = right is None or right.measured_at_us - at > round(right.limits.largest_gap_minutes * MINUTE_US)
    earliest = next(s.measured_at_us for s in known if s.measured_at_us >= begin - gap)
    return Verdict.NOT_EVALUATED if alone or earliest > begin else flag


def _known_after(series: Series, i: int) -> Series:
    """Return the samples with a water content behind `series[i]`, as long as the probe stays."""
    found = []
    for before, sample in zip(series[i:], series[i + 1 :], strict=False):
        if not _same_place(before, sample):
            break
        if not math.isnan(sample.vwc_m3_m3):
            found.append(sample)
    return found


def _swings(series: Series, air: list[bool], i: int) -> bool:
    sample = series[i]
    at, limits = sample.measured_at_us, sample.limits
    span = round(limits.contact_window_hours * HOUR_US)
    damping_depth_cm = 100.0 * math.sqrt(limits.contact_diffusivity_m2_s * 86_400.0 / math.pi)
    depth_cm: float = sample.found.placement.row.depth_cm  # type: ignore[union-attr]
    let_through = limits.contact_surface_swing_k * math.exp(-depth_cm / damping_depth_cm)
    most = max(let_through, limits.contact_least_swing_k)
    before, after = [sample], [sample]
    for near, indices, step in ((before, range(i - 1, -1, -1), 1), (after, range(i + 1, len(series)), -1)):
        for j in indices:
            if abs(series[j].measured_at_us - at) > span or not _same_place(series[j], series[j + step]):
                break
            if air[j]:
                near.append(series[j])
    return _swing(before) > most or _swing(after) > most


def _sags(series: Series, first: int, i: int) -> bool:
    sample, limits = series[i], series[i].limits
    volts, window = _supply(sample), series[first:i]
    known = [v for v in map(_supply, window) if not math.isnan(v)]
    # Whatever the median, it is at most the highest.
    if len(known) < _LEAST_SAMPLES or not max(known) - volts > limits.supply_sag_v:
        return False
    temperatures = [s.figures.soil_temperature_degc for s in window if not math.isnan(s.figures.soil_temperature_degc)]
    if len(temperatures) < _LEAST_SAMPLES or math.isnan(sample.figures.soil_temperature_degc):
        return False
    colder = max(_median(temperatures) - sample.figures.soil_temperature_degc, 0.0)
    return _median(known) - volts > limits.supply_sag_v + limits.supply_cold_v_per_k * colder


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def _supply(sample: Sample) -> float:
    volts = sample.told.get("supply_v")
    return math.nan if volts is None else volts


def _raw(sample: Sample) -> float:
    """Return the count, or permittivity in the steps that it is reported in."""
    if not math.isnan(sample.figures.moisture_count) or math.isnan(sample.permittivity):
        return sample.figures.moisture_count
    return float(round(sample.permittivity * 100.0))


def _at_or_after(series: Series, at_us: int, first: int) -> int:
    """Return the first sample at or after an instant, looking from `first` on; limits may have widened the window."""
    while first and series[first - 1].measured_at_us >= at_us:
        first -= 1
    while series[first].measured_at_us < at_us:
        first += 1
    return first


def _swing(samples: Iterable[Sample]) -> float:
    """Return how far the temperature moved, NaN where there is none."""
    known = [s.figures.soil_temperature_degc for s in samples if not math.isnan(s.figures.soil_temperature_degc)]
    return max(known) - min(known) if known else math.nan


def _same_place(one: Sample, other: Sample) -> bool:
    ours, theirs = one.found.placement, other.found.placement
    return (ours is None) == (theirs is None) and (ours is None or theirs is None or ours.digest == theirs.digest)


def _near(before: Sample, sample: Sample) -> bool:
    gap = sample.measured_at_us - before.measured_at_us
    return gap <= sample.limits.largest_gap_minutes * MINUTE_US and _same_place(before, sample)


def _near_frost(sample: Sample) -> bool:
    limits = sample.limits
    return sample.figures.soil_temperature_degc <= limits.frost_at_degc + limits.frost_tolerance_k


def _outside(figure: float, span: Span) -> bool:
    return figure < span[0] or figure > span[1]


def _graded(figure: float, suspect: float, fail: float) -> Verdict:
    return Verdict.FAIL if figure > fail else Verdict.SUSPECT if figure > suspect else Verdict.PASS
