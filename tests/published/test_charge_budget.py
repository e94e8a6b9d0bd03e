"""Charge budgets against cases COMPUTED by the formula in battery_facts_and_budget.json (README.md beside this).

The facts of the cell are from memory (MEMORY, IEC 60086-1 system letter E): common practice, no authority to quote.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from loamline.core.charge_budget import Cell, Load, charge_of_cycle_mah, life_hours, mean_current_ma
from loamline.core.supply_outlook import KNEE_V, MAKER_FIRST

TOLD = json.loads((Path(__file__).parent / "battery_facts_and_budget.json").read_text())
HOURS_OF_YEAR = 8766.0


@pytest.mark.parametrize("case", TOLD["cases"], ids=lambda case: f"SF{case['spreading_factor']} {case['interval_s']} s")
def test_every_case_of_charge_current_and_life(case) -> None:
    """1e-6 relative."""
    load = Load(
        case["sleep_uA"], case["tx_mA"], case["meas_mA"], case["meas_s"], case["rx_mA"], case["rx_s"]
    )  # fmt: skip
    charge = charge_of_cycle_mah(load, case["toa_s"])
    current = mean_current_ma(load, case["toa_s"], case["interval_s"])
    # The file has nine decimals of both, which is less than its own tolerance.
    assert charge == pytest.approx(case["charge_per_cycle_mAh"], rel=1e-6, abs=5e-10)
    assert current == pytest.approx(case["average_current_mA"], rel=1e-6, abs=5e-10)
    life = life_hours(Cell(case["cap_mAh"], 0.85, 0.01), current) / HOURS_OF_YEAR
    assert life == pytest.approx(case["life_years_usable85pct_self1pct_per_year"], rel=1e-6)


def test_the_knee_is_the_one_of_common_practice() -> None:
    """MEMORY: it drops quickly below about 3.3 V at low current; the maker's own sheet comes first."""
    told = {name: value for name, value, _ in TOLD["facts"]}
    assert f"{KNEE_V:g} V" in told["end of life knee"]
    assert "safety sheet" in MAKER_FIRST
    assert "predicts it poorly" in MAKER_FIRST
