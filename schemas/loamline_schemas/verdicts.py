"""The quality flags of IOC Manuals and Guides 54 volume 3 (2013), as QARTOD uses them."""

from enum import IntEnum


class Verdict(IntEnum):
    """One check's word on one reading; the number is the published flag."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9

    @property
    def word(self) -> str:
        """The flag as exports, tables and JSON write it, for instance `not_evaluated`."""
        return self.name.lower()


#: From the gravest down: a roll-up is the first of these that any check gave.
GRAVEST_FIRST = (Verdict.FAIL, Verdict.SUSPECT, Verdict.PASS, Verdict.NOT_EVALUATED, Verdict.MISSING)


class RangeCause(IntEnum):
    """Why the range check said what it said; stored beside its flag so that every figure can be explained."""

    NONE = 0
    SENSOR_FAULT = 1
    RAW_OUT_OF_RANGE = 2
    TEMPERATURE_FAIL = 3
    PERMITTIVITY_FAIL = 4
    OUTSIDE_TRANSDUCER_CURVE = 5
    OUTSIDE_SOIL_CURVE = 6
    VWC_FAIL = 7
    VWC_SUSPECT = 8
    UNCALIBRATED = 9

    @property
    def word(self) -> str:
        """The cause as exports and JSON write it; empty where the check found nothing."""
        return "" if self is RangeCause.NONE else self.name.lower()

    @property
    def sentence(self) -> str:
        """The cause in words for a person."""
        return _SENTENCES[self]


_SENTENCES = {
    RangeCause.NONE: "every figure lies inside its bounds",
    RangeCause.SENSOR_FAULT: "the probe reported a fault code in place of a figure",
    RangeCause.RAW_OUT_OF_RANGE: "the raw figure lies outside what the payload version can mean",
    RangeCause.TEMPERATURE_FAIL: "the soil temperature lies outside temperature_fail",
    RangeCause.PERMITTIVITY_FAIL: "the relative permittivity lies outside 1 (vacuum) to 88 (water at 0 degC)",
    RangeCause.OUTSIDE_TRANSDUCER_CURVE: "the corrected count lies outside the transducer curve's domain",
    RangeCause.OUTSIDE_SOIL_CURVE: "the permittivity lies outside the soil curve's domain",
    RangeCause.VWC_FAIL: "the water content lies outside vwc_fail",
    RangeCause.VWC_SUSPECT: "the water content lies outside vwc_suspect, the usual bounds of soil",
    RangeCause.UNCALIBRATED: "the registry lacks a record, placement or curve that calibration needs",
}


class Zone(IntEnum):
    """Where a water content stands between what the placement, or its soil and crop, call too dry and too wet."""

    DEFICIT = 1
    ADEQUATE = 2
    EXCESS = 3

    @property
    def word(self) -> str:
        """The zone as exports write it."""
        return self.name.lower()
