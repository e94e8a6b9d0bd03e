"""The physical quantities that a payload may carry, each with its one unit as a UCUM code.

A codec maps its raw fields onto these names; everything behind the codecs knows these names only.
UCUM codes are written from memory of the Unified Code for Units of Measure.
"""

from __future__ import annotations

#: Facts about the message as a whole: name -> UCUM code.
UPLINK_QUANTITIES = {
    "supply_v": "V",
    "firmware_major": "1",
    "firmware_minor": "1",
    "sample_counter": "{count}",
    "tilted": "1",
    "cold_start": "1",
    "supply_low": "1",
    "interval_minutes": "min",
    "reset_cause": "1",
    "supply_rest_v": "V",
    "supply_transmit_v": "V",
    "hours_since_power_up": "h",
    "transmissions": "{count}",
}

#: Figures of one instant at one depth: name -> UCUM code.
SAMPLE_QUANTITIES = {
    "moisture_count": "{count}",
    "permittivity": "1",
    "soil_temperature_degc": "Cel",
    "conductivity_ds_m": "dS/m",
}

#: Quantities that are yes or no.
FLAGS = frozenset({"tilted", "cold_start", "supply_low"})

#: Quantities that are whole numbers.
WHOLE = frozenset(
    {"firmware_major", "firmware_minor", "sample_counter", "interval_minutes", "reset_cause", "moisture_count"}
)

#: A fault code in one of these leaves no water content to speak of.
MOISTURE = frozenset({"moisture_count", "permittivity"})
