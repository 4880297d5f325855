"""Jobs handed to worker processes, here or on other machines, and their outcomes as they come."""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import TYPE_CHECKING, Any

from meas.errors import Finding, UsageError

if TYPE_CHECKING:
    from cli.refit.job import Job, Outcome

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_ANSWER_SECONDS = 10


def one_thread_each() -> None:
    """Keep linear algebra to one thread, here and in all workers started from here.

    Workers are as many as cores; and sums split among threads round differently. Works only before
    numpy is loaded.
    """
    for name in _THREADS:
        os.environ[name] = "1"


def cores() -> int:
    """Cores that this process may use."""
    import joblib

    return int(joblib.cpu_count())


def outcomes(
    numbers: Sequence[int], job: Callable[[int], Job], engine: Engine
) -> Iterator[Outcome]:
    """What comes out of jobs, in the order in which it does.

    Jobs are made when a worker is about to be free, and forgotten when they are done. A worker
    that dies (out of memory, killed) costs the jobs on hand a second attempt, each by itself; the
    one that kills it again is given up and said so.

    Args:
        numbers: Of the jobs, in the order to begin them.
        job: Makes the job of a number.
        engine: Where to run.
    """
    waiting = deque(numbers)
    running: dict[int, Job] = {}

    def feed() -> Iterator[Job]:
        while waiting:
            made = job(waiting.popleft())
            running[made.number] = made
            yield made

    while waiting:
        try:
            for outcome in engine.run(feed()):
                running.pop(outcome.number, None)
                yield outcome
        except engine.deaths:
            suspects = list(running.values())
            running.clear()
            for suspect in suspects:
                yield _alone(suspect, engine)


def _alone(job: Job, engine: Engine) -> Outcome:
    from cli.refit.job import failed

    try:
        (outcome,) = engine.run(iter([job]))
    except engine.deaths:
        text = (
            "the worker died over it, twice: too little memory, or stopped from outside. Try "
            "again with fewer --workers, or look at these takes with freeair fit"
        )
        return failed(job, (Finding("worker-died", text, refuses=True),), lasting=False)
    return outcome


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Processes started meanwhile ignore Ctrl-C, which a terminal sends to all of them.

    This one ends its workers itself; one that is still loading would say goodbye with a traceback.
    What is ignored stays ignored in a program that is started; a blocked signal would not, for
    joblib unblocks it on the way.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before or signal.SIG_DFL)


class Engine:
    """A pool of workers behind joblib.

    Args:
        workers: How many run at once.
        backend: Of joblib, with its options.
        deaths: Exceptions that tell that a worker died.
        starting: What its processes are started in.
    """

    def __init__(
        self,
        workers: int,
        backend: dict[str, Any],
        deaths: tuple[type[BaseException], ...],
        starting: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self.workers = workers
        self.deaths = deaths
        self._backend = backend
        self._starting = starting

    def run(self, jobs: Iterator[Job]) -> Iterator[Outcome]:
        """Outcomes as they come; each job is one task, since a fit outweighs its dispatch."""
        import joblib

        from cli.refit.job import fit_state

        with joblib.parallel_config(**self._backend):
            parallel = joblib.Parallel(
                n_jobs=self.workers, batch_size=1, return_as="generator_unordered"
            )
        with self._starting():
            done = parallel(joblib.delayed(fit_state)(job) for job in jobs)
        yield from done


def engine(workers: int | None, scheduler: str | None) -> AbstractContextManager[Engine]:
    """Where to run: processes of this machine, or the workers of a dask scheduler.

    Raises:
        UsageError: If the scheduler's library is missing, it does not answer, or has no workers.
    """
    return _local(workers or cores()) if scheduler is None else _cluster(scheduler)


@contextmanager
def _local(workers: int) -> Iterator[Engine]:
    from joblib.externals.loky.process_executor import BrokenProcessPool, TerminatedWorkerError

    # No limit on inner threads with a single worker: joblib then runs in this very process.
    inner = {"inner_max_num_threads": 1} if workers > 1 else {}
    deaths = (TerminatedWorkerError, BrokenProcessPool)
    yield Engine(workers, {"backend": "loky", **inner}, deaths, _without_interrupts)


@contextmanager
def _cluster(address: str) -> Iterator[Engine]:
    try:
        from distributed import Client, KilledWorker
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
        yield Engine(workers, {"backend": "dask", "client": client}, (KilledWorker,))
