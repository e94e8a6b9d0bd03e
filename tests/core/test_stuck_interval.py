"""The stuck check counts figures by the interval that the payload tells, where it tells one."""

import pytest

from loamline.core.derive import derive
from loamline_codecs import builtin_codecs
from loamline_schemas.limits import LimitLayer, LimitsFile
from loamline_schemas.verdicts import Verdict
from tests.core.delivery_builder import delivery, log, measurement_v3
from tests.core.registry_builder import placement, probe, registry, state

WIDE_GAPS = LimitsFile(limits=(LimitLayer(largest_gap_minutes=600.0),))


@pytest.mark.parametrize("interval_minutes", [60, 180, 240])
def test_a_dead_transducer_is_found_at_any_interval_of_the_payload(interval_minutes):
    fleet = state(probes=(probe(1),), placements=(placement(1),), limits=WIDE_GAPS)
    deliveries = log(
        *(
            delivery(
                minutes,
                fcnt=number,
                payload=measurement_v3(1200, interval_minutes=interval_minutes, counter=number),
            )
            for number, minutes in enumerate(range(0, 100 * 60, interval_minutes))
        )
    )
    flags = derive(deliveries, builtin_codecs(), registry(fleet)).readings.column("stuck_flag").to_pylist()
    assert flags[-1] == Verdict.FAIL
