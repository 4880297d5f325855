"""The workers of a dask scheduler, on other machines too."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from cli.refit.workers import WorkerDied
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.refit.job import Job, Outcome

_ANSWER_SECONDS = 10


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """Connect to a scheduler.

    Raises:
        UsageError: If its library is missing, it does not answer, or has no workers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "other machines need dask, which is not installed",
            where="--scheduler",
            remedy="Install it beside freeair: uv tool install 'freeair[cluster]'.",
        ) from error
    try:
        client = Client(address, timeout=_ANSWER_SECONDS)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"no dask scheduler answers at '{address}'",
            where="--scheduler",
            remedy="Start one with 'dask scheduler', workers with 'dask worker ADDRESS', and give "
            "the address that it prints, such as tcp://bench-pc:8786.",
        ) from error
    with client:
        workers = sum(client.ncores().values())
        if not workers:
            raise UsageError(
                "the dask scheduler has no workers",
                where=f"--scheduler {address}",
                remedy="Start some with 'dask worker ADDRESS' where the archive can be seen too.",
            )
        with ThreadPoolExecutor(workers) as threads:
            try:
                yield Cluster(client, address, threads, workers)
            finally:
                threads.shutdown(wait=False, cancel_futures=True)
                client.close()  # ends the waiting of all threads


class Cluster:
    """As many jobs at once as the scheduler's workers have threads."""

    def __init__(
        self, client: Any, address: str, threads: ThreadPoolExecutor, workers: int
    ) -> None:
        self.workers = workers
        self._client, self._address, self._threads = client, address, threads

    def submit(self, job: Job) -> Future[Outcome]:
        """Begin a job; its result raises `WorkerDied` where the worker did, again and again."""
        return self._threads.submit(self._run, job)

    def _run(self, job: Job) -> Outcome:
        from asyncio import CancelledError as Cancelled
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        from cli.refit.job import fit_state

        try:
            outcome: Outcome = self._client.submit(fit_state, job, pure=False).result()
        except KilledWorker as error:
            raise WorkerDied from error
        except (CancelledError, Cancelled, OSError) as error:
            raise UsageError(
                "the dask scheduler has gone away",
                where=f"--scheduler {self._address}",
                remedy="What was fitted is kept. Start the scheduler and the same command again.",
            ) from error
        return outcome
