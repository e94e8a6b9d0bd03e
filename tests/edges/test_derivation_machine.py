"""Promises 1 to 4 under everything that can happen: see `derivation_machine`."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

from tests.edges.derivation_machine import Derivation

#: A short form of `python -m tests.edges.machine_campaign`: always the same steps, so that CI is no lottery.
Derivation.TestCase.settings = settings(
    max_examples=10,
    stateful_step_count=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
TestDerivation = Derivation.TestCase
