"""The workers of a dask scheduler, on other machines too."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from threading import Thread
from typing import TYPE_CHECKING, Any, TypeVar

from cli.refit.workers import WorkerDied
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.refit.job import Job, Outcome

T = TypeVar("T")

_ANSWER_SECONDS = 10.0
_ASKED_EVERY_SECONDS = 60.0  # whether it is there still, while a fit takes its time


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
        client = _answered(lambda: Client(address, timeout=_ANSWER_SECONDS))
    except Exception as error:  # whatever the library makes of what another server says
        raise UsageError(
            f"no dask scheduler answers at '{address}'",
            where="--scheduler",
            remedy="Start one with 'dask scheduler', workers with 'dask worker ADDRESS', and give "
            "the address that it prints, such as tcp://bench-pc:8786.",
        ) from error
    try:
        yield Cluster(client, address)
    finally:
        with suppress(OSError):  # one that says nothing, not even goodbye
            _answered(client.close)


class Cluster:
    """Jobs at once on a cluster, as many as the scheduler's workers have threads.

    Raises:
        UsageError: If there are none.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self.workers = self._working()

    def submit(self, job: Job) -> Future[Outcome]:
        """Begin a job; its result raises `WorkerDied` where the worker did, again and again."""
        return _begun(lambda: self._run(job))

    def _run(self, job: Job) -> Outcome:
        from asyncio import CancelledError as Cancelled
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        from cli.refit.job import fit_state

        try:
            fit = self._client.submit(fit_state, job, pure=False)
            while True:
                with suppress(TimeoutError):
                    outcome: Outcome = fit.result(timeout=_ASKED_EVERY_SECONDS)
                    return outcome
                self._working()
        except KilledWorker as error:
            raise WorkerDied from error
        except (CancelledError, Cancelled, OSError) as error:
            raise self._gone("has gone away") from error

    def _working(self) -> int:
        try:
            workers = sum(_answered(self._client.ncores).values())
        except OSError as error:
            raise self._gone("says nothing any more") from error
        if not workers:
            raise UsageError(
                "the dask scheduler has no workers",
                where=f"--scheduler {self._address}",
                remedy="Start some with 'dask worker ADDRESS' where the archive can be seen too.",
            )
        return workers

    def _gone(self, what: str) -> UsageError:
        return UsageError(
            f"the dask scheduler {what}",
            where=f"--scheduler {self._address}",
            remedy="What was fitted is kept. Start the scheduler and the same command again.",
        )


def _answered(ask: Callable[[], T]) -> T:
    """Return or raise what the library does; it waits without end for whoever is silent.

    Raises:
        TimeoutError: If nothing has come back in time.
    """
    return _begun(ask).result(_ANSWER_SECONDS)


def _begun(act: Callable[[], T]) -> Future[T]:
    """Begin something in a thread that the end of the program does not wait for."""
    done: Future[T] = Future()

    def run() -> None:
        try:
            done.set_result(act())
        except BaseException as error:
            done.set_exception(error)

    Thread(target=run, daemon=True).start()
    return done
