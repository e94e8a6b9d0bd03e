"""The explanation's words for what spike and stuck leave alone: a wetting that drains, figures too few to tell."""

import json
from datetime import timedelta


def reason(loamline, path, at, name):
    result = loamline("explain", "S-0001", at.isoformat(), "--store", path, "--json")
    assert result.exit_code == 0, result.output
    (found,) = (check for check in json.loads(result.stdout)["readings"][0]["checks"] if check["check"] == name)
    return found["flag"], found["reason"]


def test_a_wetting_that_drains_is_told_as_such(stores, loamline):
    """Up by 600 counts, an hour later down by 200."""
    counts = [1400, 1400, 2000, 1800, 1700]
    path = stores.make([stores.v1(stores.BARLEY, hour, count) for hour, count in enumerate(counts)])
    flag, told = reason(loamline, path, stores.START + timedelta(hours=2), "spike")
    assert flag == "pass"
    assert told.endswith(
        "of its rise is still there in the next sample, over spike_kept_share 0.25: a wetting that drains"
    )


def test_two_figures_round_a_days_silence_are_told_to_be_too_few(stores, loamline):
    hours = [*range(10), 34]
    path = stores.make([stores.v1(stores.BARLEY, hour, 1500, 10 + hour / 4) for hour in hours])
    assert reason(loamline, path, stores.START + timedelta(hours=34), "stuck") == (
        "not_evaluated",
        "there are raw figures for less than half of 24 h: 1",
    )
