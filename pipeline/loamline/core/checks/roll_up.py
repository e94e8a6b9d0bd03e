"""The verdict on a reading: the gravest word of its checks."""

from __future__ import annotations

import numpy as np

from loamline.core.columns import Bools, Flags
from loamline_schemas.verdicts import GRAVEST_FIRST, Verdict


def roll_up(checks: tuple[Flags, ...], *, no_figure: Bools, fault: Bools) -> Flags:
    """Return the worst of fail, suspect, pass, not evaluated, missing (QARTOD's order), shape (m,).

    A reading without a water content never passes: it is missing where the probe reported a fault, else
    not evaluated.
    """
    verdict = np.full(len(no_figure), Verdict.MISSING, dtype=np.uint8)
    for word in reversed(GRAVEST_FIRST):
        for flags in checks:
            verdict[flags == word] = word
    passed = verdict == Verdict.PASS
    verdict[passed & no_figure] = Verdict.NOT_EVALUATED
    verdict[(passed | (verdict == Verdict.NOT_EVALUATED)) & no_figure & fault] = Verdict.MISSING
    return verdict
