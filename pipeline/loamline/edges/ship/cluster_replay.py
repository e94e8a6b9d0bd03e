"""A replay whose chain runs on a Dask cluster: the store's own process reads and stores, workers derive."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import pyarrow as pa

from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.edges.ship.engines import RETRIES
from loamline.edges.store.replay import Block, Deriver
from loamline_codecs import CodecSet, load_codecs

#: Blocks in flight a worker: one that is worked on, and one that waits.
_AHEAD = 2


def deriver_on(client: Any, codec_dirs: tuple[Path, ...]) -> Deriver:
    """Return what derives blocks on the cluster that `client` is connected to, with codecs of these folders too."""
    return partial(_derived, client, tuple(str(folder.absolute()) for folder in codec_dirs))


def _derived(
    client: Any, codec_dirs: tuple[str, ...], blocks: Iterator[Block], _codecs: CodecSet, known: Registry
) -> Iterator[tuple[Block, Derived]]:
    # Every worker has it, so that none that dies takes it along.
    everywhere = client.scatter(known, broadcast=True)
    most = _AHEAD * max(len(client.scheduler_info(n_workers=-1)["workers"]), 1)
    flying: deque[tuple[Block, Any]] = deque()
    for block in blocks:
        future = client.submit(_derive, block.deliveries, codec_dirs, everywhere, pure=False, retries=RETRIES)
        flying.append((block, future))
        if len(flying) >= most:
            waiting, told = flying.popleft()
            yield waiting, told.result()
    while flying:
        waiting, told = flying.popleft()
        yield waiting, told.result()


def _derive(deliveries: pa.Table, codec_dirs: tuple[str, ...], known: Registry) -> Derived:
    return derive(deliveries, _codecs_of(codec_dirs), known)


@lru_cache(maxsize=4)
def _codecs_of(codec_dirs: tuple[str, ...]) -> CodecSet:
    # Declarations hold functions, which do not travel: a worker loads them itself.
    return load_codecs(tuple(Path(folder) for folder in codec_dirs))
