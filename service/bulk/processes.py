"""Work handed to several processes, few pieces ahead, answers in the order of the work."""

from __future__ import annotations

import gc
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from service.errors import ServiceError

Work = TypeVar("Work")
Done = TypeVar("Done")
AHEAD = 2  # pieces that wait for each process


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def settle_in() -> None:
    """Begin a process: one thread for linear algebra, since its neighbours use the other cores."""
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)
    # A large flock is millions of objects, none of them in a cycle: looking for some takes seconds.
    gc.disable()


def in_order(do: Callable[[Work], Done], pieces: Iterable[Work], jobs: int) -> Iterator[Done]:
    """Yield what `do` makes of each piece, in their order, with `jobs` processes.

    Pieces are asked for as they are needed, so that neither they nor the answers pile up; one
    process works in this one. Raises what `do` raises, ServiceError if a process is killed.
    """
    if jobs <= 1:
        yield from map(do, pieces)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, context, initializer=settle_in) as pool:
        waiting: deque[Future[Done]] = deque()
        try:
            for piece in pieces:
                waiting.append(pool.submit(do, piece))
                if len(waiting) >= jobs + AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except BrokenProcessPool:
            raise ServiceError("process_died") from None
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
