"""A replay whose chain runs in processes beside the one that has the store: more than one core, on one machine.

Threads would gain little: most of the chain is short calls of NumPy, between which only one thread runs at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import pyarrow as pa

from loamline.core.derive import Derived, derive
from loamline.core.provenance import Registry
from loamline.edges.allocator import keep_freed_memory
from loamline.edges.store.replay import Block, Deriver
from loamline_codecs import CodecSet, load_codecs


@dataclass
class _Kept:
    """What a worker keeps for all blocks; declarations hold functions, which do not travel, so that it loads them."""

    codecs: CodecSet
    known: Registry


_kept: list[_Kept] = []


def deriver_beside(workers: int, codec_dirs: tuple[Path, ...]) -> Deriver:
    """Return what derives blocks in so many processes, with codecs of these folders too."""
    return partial(_derived, workers, codec_dirs)


def _derived(
    workers: int, codec_dirs: tuple[Path, ...], blocks: Iterator[Block], _codecs: CodecSet, known: Registry
) -> Iterator[tuple[Block, Derived]]:
    pool = pool_of(workers, codec_dirs, known)
    try:
        yield from derived_by(pool, workers, blocks)
    finally:
        pool.shutdown(cancel_futures=True)


def pool_of(workers: int, codec_dirs: tuple[Path, ...], known: Registry) -> ProcessPoolExecutor:
    """Return processes that derive under `known`; they begin with the first block."""
    return ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_begin, initargs=(codec_dirs, known)
    )


def derived_by(pool: ProcessPoolExecutor, workers: int, blocks: Iterator[Block]) -> Iterator[tuple[Block, Derived]]:
    """Yield each block with what it says, in order; one more than there are workers is on its way."""
    flying: deque[tuple[Block, Future[Derived]]] = deque()
    for block in blocks:
        flying.append((block, pool.submit(_derive, block.deliveries)))
        if len(flying) > workers:
            waiting, told = flying.popleft()
            yield waiting, told.result()
    while flying:
        waiting, told = flying.popleft()
        yield waiting, told.result()


def _begin(codec_dirs: tuple[Path, ...], known: Registry) -> None:
    keep_freed_memory()
    _kept[:] = [_Kept(load_codecs(codec_dirs), known)]


def _derive(deliveries: pa.Table) -> Derived:
    (kept,) = _kept
    return derive(deliveries, kept.codecs, kept.known)
