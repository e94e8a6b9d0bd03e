"""Arrow without pandas: at its first array pyarrow imports pandas where it is installed, which takes a second.

Commands give it none, and start that much sooner. Notebooks import pandas as ever.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence


class _NoPandas:
    """A finder that finds no pandas."""

    @staticmethod
    def find_spec(name: str, path: Sequence[str] | None = None, target: object = None) -> None:  # noqa: ARG004
        """Raise ModuleNotFoundError for pandas; for everything else, leave it to the next finder."""
        if name == "pandas":
            raise ModuleNotFoundError(name)


def without_pandas() -> None:
    """Have this process do without pandas, installed or not. Do it before anything else."""
    sys.meta_path.insert(0, _NoPandas)
