"""Jobs kept in the records' own PostgreSQL until a worker has done them (the queue: procrastinate).

A job that was given outlasts server, worker and database; a worker that is killed in the middle of
one is missed by its heartbeat, and another takes the job. `combwright work` is a worker.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

from service.actions.desk import Desk, Job, Later
from service.actions.jobs import JOBS, Bench, do
from service.actions.learning_run import Progress, Stopped
from service.errors import Clash, Expected, StoreError, UsageMistake, status_of
from service.records.database import Store, reason_of
from service.records.learning_progress import Noted, note, noted
from service.settings import Settings
from service.wording.sentences import Message, from_data

if TYPE_CHECKING:
    from fastapi import BackgroundTasks

    from classifier.reader import Reader

SCHEMA_LOCK = 7_262_812  # of PostgreSQL; whoever makes the queue's tables holds it
ALIVE = 20.0  # seconds without a heartbeat after which a worker counts as gone
TRIES = 6
KEPT_HOURS = 30 * 24  # of jobs that are done, before a worker that begins throws them away
AGAIN = 3.0  # seconds before a worker that lost the database looks for it again
# One of a kind at a time, and no second one waiting.
ALONE = ("learning", "again")


def conninfo(settings: Settings) -> str:
    """Return how the records' database is reached. Raises UsageMistake if it isn't PostgreSQL."""
    url = settings.database.replace("postgresql+psycopg://", "postgresql://", 1)
    if not url.startswith("postgresql://"):
        raise UsageMistake("jobs_need_postgres")
    return url


def queue_library() -> Any:
    """Return procrastinate. Raises UsageMistake where it isn't installed."""
    try:
        import procrastinate
    except ImportError:
        raise UsageMistake("postgres_not_installed") from None
    return procrastinate


def make_tables(url: str) -> None:
    """Make the queue's tables where they lack; two processes at once do it one after the other."""
    library = queue_library()
    import psycopg

    try:
        with psycopg.connect(url) as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", [SCHEMA_LOCK])
            found = connection.execute("SELECT to_regclass('procrastinate_jobs')").fetchone()
            if found is None or found[0] is None:
                app = library.App(connector=library.SyncPsycopgConnector(conninfo=url))
                with app.open():
                    app.schema_manager.apply_schema()
    except psycopg.OperationalError as error:
        raise StoreError("no_database_server", reason=reason_of(error)) from None


class KeptJobs:
    """The queue, as a server puts jobs into it."""

    def __init__(self, settings: Settings) -> None:
        """Raise UsageMistake if the records aren't in PostgreSQL, StoreError if it is away."""
        self.url = conninfo(settings)
        make_tables(self.url)
        library = queue_library()
        self.app = library.App(connector=library.SyncPsycopgConnector(conninfo=self.url))
        self.app.open()

    def close(self) -> None:
        """Give the connections back."""
        self.app.close()

    def after(self, tasks: BackgroundTasks) -> Later:
        """Return what takes the jobs of one request."""
        return self.put

    def put(self, job: Job) -> None:
        """Keep a job. Raises Clash if one of its kind waits already and may do so alone."""
        library = queue_library()
        alone = job.name if job.name in ALONE else None
        given = asdict(job) | {"on": job.on.isoformat()}
        task = self.app.configure_task(
            job.name, allow_unknown=True, lock=alone, queueing_lock=alone
        )
        try:
            task.defer(job=given)
        except library.exceptions.AlreadyEnqueued:
            if job.name == "learning":
                raise Clash("learning_already") from None
        except library.exceptions.ConnectorException as error:
            raise StoreError("no_database_server", reason=reason_of(error)) from None

    def of(self, name: str, status: str) -> list[Any]:
        """Return the jobs of a kind and state ('todo', 'doing', 'succeeded', 'failed')."""
        return list(self.app.job_manager.list_jobs(task=name, status=status))

    def newest(self, name: str) -> str:
        """Return the state of the job of a kind that was given last, nothing if there is none."""
        jobs = self.app.job_manager.list_jobs(task=name)
        last = max(jobs, key=lambda job: job.id, default=None)
        return last.status if last is not None else ""

    def drop(self, name: str) -> None:
        """Take the jobs of a kind out, or ask whoever does one to stop."""
        for job in self.of(name, "todo") + self.of(name, "doing"):
            self.app.job_manager.cancel_job_by_id(job.id, abort=True)


class KeptLearning:
    """Learning as a job: begun and stopped by any server, done by a worker."""

    def __init__(self, jobs: KeptJobs, store: Store) -> None:
        self.jobs, self.store = jobs, store

    @property
    def progress(self) -> Progress:
        """How far it has come, and what came of the last one."""
        newest = self.jobs.newest("learning")
        with self.store.reading() as session:
            now = noted(session)
        if newest in ("todo", "doing"):
            return Progress(running=True, done=now.done, steps=now.steps)
        if newest in ("cancelled", "aborted"):
            return Progress(trouble=Message("learning_stopped"))
        if newest == "failed":
            return Progress(trouble=Message("learning_broke_off"))
        return Progress(name=now.name, trouble=from_data(now.trouble))

    def begin(self, desk: Desk, settings: Settings, reader: Reader) -> None:
        """Leave learning to a worker. Raises Clash if it waits or runs already."""
        if self.jobs.newest("learning") in ("todo", "doing"):
            raise Clash("learning_already")
        with self.store.writing(desk.by, Message("act_learning")) as session:
            note(session, Noted())  # what came of the last one is over
        self.jobs.put(Job("learning", desk.by, desk.on))

    def stop(self) -> None:
        """Let it end at the next step."""
        self.jobs.drop("learning")


def job_from(given: dict[str, Any]) -> Job:
    """Return a job as it was kept."""
    return Job(given["name"], given["by"], date.fromisoformat(given["on"]), given["values"])


def worker_app(bench: Bench) -> Any:
    """Return procrastinate's application with every job as a task."""
    library = queue_library()
    app = library.App(connector=library.PsycopgConnector(conninfo=conninfo(bench.settings)))
    again = library.RetryStrategy(max_attempts=TRIES, wait=1, exponential_wait=2)

    def run(context: Any, job: dict[str, Any]) -> None:
        def told(done: int, steps: int) -> None:
            if context.should_abort():
                raise Stopped

        try:
            do(bench, job_from(job), told)
        except Stopped:
            raise library.exceptions.JobAborted from None
        except Expected as error:
            if status_of(error) >= 500:  # the records are away: it will be tried again
                raise
            logging.getLogger(__name__).warning("%s: %s", job["name"], error)

    for name in JOBS:
        app.task(name=name, pass_context=True, retry=again)(run)
    return app


async def take_back(app: Any) -> int:
    """Let jobs of workers that are gone be done by others; returns how many."""
    stalled = list(await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=ALIVE))
    for job in stalled:
        await app.job_manager.retry_job(job)
    return len(stalled)


async def serve_jobs(bench: Bench, wait: bool) -> None:
    """Do jobs as they come, or those that wait; procrastinate's errors go up."""
    app = worker_app(bench)
    async with app.open_async():

        async def look_after() -> None:
            while True:
                await take_back(app)
                await asyncio.sleep(ALIVE / 4)

        await take_back(app)
        await app.job_manager.delete_old_jobs(
            nb_hours=KEPT_HOURS, include_failed=True, include_cancelled=True, include_aborted=True
        )
        watch = asyncio.create_task(look_after())
        try:
            await app.run_worker_async(
                concurrency=1,
                wait=wait,
                fetch_job_polling_interval=2.0,
                update_heartbeat_interval=ALIVE / 4,
                stalled_worker_timeout=ALIVE,
            )
        finally:
            watch.cancel()


def work(bench: Bench, wait: bool = True) -> None:
    """Do jobs until a signal stops it, or until none waits; goes on when the database is back.

    Raises UsageMistake if the records aren't in PostgreSQL.
    """
    library = queue_library()
    make_tables(conninfo(bench.settings))
    while True:
        try:
            asyncio.run(serve_jobs(bench, wait))
            return
        except (library.exceptions.ConnectorException, OSError) as error:
            logging.getLogger(__name__).warning("the database is away: %s", error)
            asyncio.run(asyncio.sleep(AGAIN))
