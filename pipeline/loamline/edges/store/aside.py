"""Long looks at the store by a thread of their own, so that whoever commits meanwhile is not held up.

The thread has a connection of its own to the open database, and sees the store as it stood when the look began.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from loamline.edges.ahead import Ahead
from loamline.edges.store.connection import Store

Item = TypeVar("Item")
Done = TypeVar("Done")
#: How long a step waits for the next item.
_LOOKED_UP_S = 0.02


@dataclass(frozen=True)
class _End:
    value: Any


def aside(store: Store, look: Callable[[Store], Generator[Item, None, Done]]) -> Generator[Item | None, None, Done]:
    """Return what `look` returns; yield what it yields, and None where nothing was ready within 20 ms.

    `look` runs in the other thread, on the store as it stands now, to read only. Between two items the store may be
    written; close this generator where it is not read to its end. Raises what `look` raises.
    """
    seen = store.as_it_stands()
    try:
        return (yield from in_a_thread(look(seen), seen.con.interrupt))
    finally:
        seen.con.close()


def in_a_thread(
    look: Generator[Item, None, Done], interrupt: Callable[[], object]
) -> Generator[Item | None, None, Done]:
    """Do the same with a look that has found its store; `interrupt` is called before its thread is waited for."""
    ahead = Ahead(_items(look))
    try:
        while True:
            for item in (taken := ahead.take(_LOOKED_UP_S)):
                if isinstance(item, _End):
                    done: Done = item.value
                    return done
                yield item
            if not taken:
                yield None
    finally:
        interrupt()
        ahead.close()


def _items(look: Generator[Item, None, Any]) -> Iterator[Item | _End]:
    while True:
        try:
            item = next(look)
        except StopIteration as end:
            yield _End(end.value)
            return
        yield item
