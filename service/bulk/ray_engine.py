"""Parts read by Ray Data: one reader a worker, on this machine or on a cluster."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from typing import Any

from service.bulk.readings import Done, Engine, PartReader, ReaderToLoad, Work
from service.errors import UsageMistake
from service.records.object_photos import one_line

PARTS_ON_GPU = 8


class RayWorker:
    """A reader within a worker of Ray; it takes batches of parts."""

    def __init__(self, reader: ReaderToLoad, shelf: str, language: str) -> None:
        from service.bulk.processes import settle_in

        settle_in()
        self.read = PartReader(reader, shelf, language)

    def __call__(self, batch: dict[str, Any]) -> dict[str, list[int]]:
        """Read parts, and tell what became of them."""
        done = self.read([Work.from_text(text) for text in batch["work"].tolist()])
        return {
            "part": [d.part for d in done],
            "photos": [d.photos for d in done],
            "unread": [d.unread for d in done],
        }


def ray_data(jobs: int, address: str = "", gpus: float = 0.0) -> Engine:
    """Return the engine: `jobs` workers of one core each, or of a share of a GPU.

    Without an address Ray is started on this machine, with as many cores as workers, and stopped
    in the end. Raises UsageMistake where Ray isn't installed or the address doesn't answer.
    """
    try:
        import ray
        import ray.data
    except ImportError:
        raise UsageMistake("needs_cluster", what="--engine ray") from None

    def engine(
        reader: ReaderToLoad, shelf: str, language: str, work: Iterator[Work]
    ) -> Iterator[Done]:
        begin(ray, jobs, address)
        try:
            parts = [{"work": piece.as_text()} for piece in work]
            # A part at a time; a GPU takes some, so that photos are decoded ahead of it.
            together = PARTS_ON_GPU if gpus else 1
            tasks = ray.data.from_items(parts, override_num_blocks=-(-len(parts) // together))
            done = tasks.map_batches(
                RayWorker,
                fn_constructor_args=(reader, shelf, language),
                batch_size=together,
                compute=ray.data.ActorPoolStrategy(size=min(jobs, len(parts))),
                num_cpus=0 if gpus else 1,
                num_gpus=gpus or None,
            )
            for row in done.iter_rows():
                yield Done(row["part"], row["photos"], row["unread"])
        finally:
            if not address:
                ray.shutdown()

    return engine


def begin(ray: Any, jobs: int, address: str) -> None:
    """Start Ray here, or join it at an address. Raises UsageMistake."""
    os.environ.setdefault("RAY_BACKEND_LOG_LEVEL", "fatal")  # what its own parts say on stderr
    os.environ.setdefault("RAY_USAGE_STATS_ENABLED", "0")  # nobody is told that it is used
    quiet = {"logging_level": logging.ERROR, "log_to_driver": False, "ignore_reinit_error": True}
    try:
        if address:
            ray.init(address=address, **quiet)
        else:
            # Ray asks nobody who they are: started here, it listens to this machine alone.
            here = {"num_cpus": jobs, "include_dashboard": False, "_node_ip_address": "127.0.0.1"}
            ray.init(address="local", **here, **quiet)
    except (ConnectionError, ValueError, RuntimeError) as error:
        reason = one_line(error)
        raise UsageMistake("ray_unreachable", address=address or "here", reason=reason) from None
    for name in ("ray.data", "ray"):
        logging.getLogger(name).setLevel(logging.ERROR)
    context = ray.data.DataContext.get_current()
    context.enable_progress_bars = False
    context.print_on_execution_start = False
