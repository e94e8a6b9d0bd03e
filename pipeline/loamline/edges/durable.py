"""Files and folders that outlive a power cut once they are said to be there."""

from __future__ import annotations

import os
from pathlib import Path


def make_durable(path: Path) -> None:
    """Have what was written to a file, or which names a folder holds, reach the disk. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
