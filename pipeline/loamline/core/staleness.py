"""Which readings another registry state would give other inputs, and which of their inputs.

A row's dates say when it holds and are no input: a placement that was ended, so that its probe could be moved, means
the same to every reading taken before. All else that a row says counts, and nothing that a reading does not use: one
without a moisture count, whose payload brings permittivity or a fault, uses no transducer curve, and names none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from pydantic import BaseModel

from loamline.core.columns import Bools, Floats, Ints
from loamline.core.reference import Catalogue, Interned, Resolved, Row
from loamline_schemas.digest import content_digest

#: The inputs of a reading that a registry decides, as `Resolved` names them.
CAUSES = ("probe", "placement", "transducer", "soil", "limits", "soil_layer", "crop")
_DATES = {"valid_from", "valid_to"}


@dataclass(frozen=True)
class Staleness:
    """By cause, which of m readings have that input changed; each of shape (m,)."""

    by_cause: dict[str, Bools]

    @property
    def stale(self) -> Bools:
        """Which readings have any input changed, shape (m,)."""
        stale: Bools = np.logical_or.reduce([self.by_cause[cause] for cause in CAUSES])
        return stale

    def counts(self) -> dict[str, int]:
        """Return how many readings each cause concerns, causes without any left out."""
        return {cause: int(rows.sum()) for cause, rows in self.by_cause.items() if rows.any()}


def used(resolved: Resolved, moisture_count: Floats) -> Resolved:
    """Return what m readings use of what holds for them: no transducer curve where the moisture count is NaN."""
    return replace(resolved, transducer=np.where(np.isnan(moisture_count), -1, resolved.transducer))


def changed_inputs(before: Resolved, after: Resolved, catalogue: Catalogue) -> Staleness:
    """Return which inputs differ between two resolutions of the same m readings, each as `used`.

    It tells of a reading's own inputs. A check looks at neighbours too, so that verdicts beside a stale reading
    can change with it.
    """
    curves = _meanings(catalogue.curves)
    meanings = {
        "probe": _meanings(catalogue.probes),
        "placement": _meanings(catalogue.placements),
        "transducer": curves,
        "soil": curves,
        "limits": _meanings(catalogue.limits),
        "soil_layer": _meanings(catalogue.soil_layers),
        "crop": _meanings(catalogue.crops),
    }
    return Staleness(
        {cause: meanings[cause][getattr(before, cause)] != meanings[cause][getattr(after, cause)] for cause in CAUSES}
    )


def _meanings(interned: Interned[Row]) -> Ints:
    """Return a number for what each row says but for its dates, equal for equal rows; one more, -1, for no row."""
    known = interned.known_meanings
    # Rows are only ever added: what is numbered stays so, or a plan would number all of them with every step.
    for row in interned.rows[len(interned.meanings) :]:
        interned.meanings.append(known.setdefault(_meaning(row), len(known)))
    return np.array([*interned.meanings, -1], dtype=np.int64)


def _meaning(row: BaseModel) -> str:
    return content_digest(row.model_dump(mode="json", by_alias=True, exclude=_DATES))
