"""Jobs handed to workers, here or on other machines, and their outcomes as they come."""

from __future__ import annotations

import os
import queue
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from cli.terminal.import_path import trusted
from meas.errors import Finding

if TYPE_CHECKING:
    from cli.refit.job import Job, Outcome

# The interpreter is isolated, and told where to import from: neither the current folder nor any
# variable of the environment puts code of strangers into a worker.
_START = "import sys; sys.path[:] = sys.argv[1:]; from cli.refit.worker import serve; serve()"


class WorkerDied(Exception):
    """The worker ended over its job, and there is no outcome."""


class Engine(Protocol):
    """Place where jobs run.

    Attributes:
        workers: How many run at once.
    """

    workers: int

    def submit(self, job: Job) -> Future[Outcome]:
        """Begin a job; its result raises `WorkerDied` where the worker did."""
        ...


def outcomes(
    numbers: Iterable[int], job: Callable[[int], Job], engine: Engine
) -> Iterator[Outcome]:
    """Outcomes of jobs, in the order in which they come.

    Jobs are made when a worker is free, and forgotten when they are done. One whose worker died
    (out of memory, killed) is tried once more when all others are done, by itself. If that worker
    dies as well, the job is given up and said so.

    Args:
        numbers: Numbers of the jobs, in the order to begin them; asked for when a worker is free.
    """
    waiting = iter(numbers)
    running: dict[Future[Outcome], Job] = {}
    suspects: list[Job] = []
    while True:
        for number in islice(waiting, engine.workers - len(running)):
            made = job(number)
            running[engine.submit(made)] = made
        if not running:
            break
        for done in wait(running, return_when=FIRST_COMPLETED).done:
            finished = running.pop(done)
            try:
                yield done.result()
            except WorkerDied:
                suspects.append(finished)
    for suspect in suspects:
        yield _alone(suspect, engine)


def _alone(job: Job, engine: Engine) -> Outcome:
    from cli.refit.job import failed

    try:
        return engine.submit(job).result()
    except WorkerDied:
        reason = Finding(
            "worker-died",
            "the worker died over it, twice: too little memory, or stopped from outside",
            refuses=True,
            next_step="Try again with fewer --workers, or look at these takes with freeair fit",
        )
        return failed(job, (reason,), lasting=False)


class ThisProcess:
    """One job after the other, without any worker."""

    workers = 1

    def submit(self, job: Job) -> Future[Outcome]:
        """The result is there when this returns."""
        from cli.refit.job import fit_state

        done: Future[Outcome] = Future()
        done.set_result(fit_state(job))
        return done


class Processes:
    """Worker processes of this machine, each at the end of a pipe of its own.

    A worker ends as soon as its pipe does, so that none outlives this process, however that ends;
    there is nothing in shared memory that could stay. Each has a session of its own: a Ctrl-C at
    the terminal reaches this process alone, which then ends its workers.

    Args:
        avoided: Folders from which nothing is imported.
    """

    def __init__(self, workers: int, avoided: Sequence[Path]) -> None:
        self.workers = workers
        path = trusted(sys.path, *avoided)
        warned = [f"-W{option}" for option in sys.warnoptions]
        self._command = [sys.executable, "-I", *warned, "-c", _START, *path]
        self._all: list[subprocess.Popen[bytes]] = []
        self._idle: queue.LifoQueue[subprocess.Popen[bytes]] = queue.LifoQueue()
        # One thread each waits for an answer; fits run in the processes.
        self._threads = ThreadPoolExecutor(workers)

    def submit(self, job: Job) -> Future[Outcome]:
        """Begin a job in an idle worker, or in a new one."""
        try:
            worker = self._idle.get_nowait()
        except queue.Empty:
            worker = self._started()
        return self._threads.submit(self._run, worker, job)

    def close(self) -> None:
        """End all workers, whatever they do."""
        self._threads.shutdown(wait=False, cancel_futures=True)
        for worker in self._all:
            worker.kill()
        self._threads.shutdown()
        for worker in self._all:
            _forget(worker)

    def _run(self, worker: subprocess.Popen[bytes], job: Job) -> Outcome:
        import pickle

        assert worker.stdin is not None and worker.stdout is not None
        try:
            pickle.dump(job, worker.stdin)
            worker.stdin.flush()
            outcome: Outcome = pickle.load(worker.stdout)
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            worker.kill()
            raise WorkerDied from error
        self._idle.put(worker)
        return outcome

    def _started(self) -> subprocess.Popen[bytes]:
        own = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
        worker = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            start_new_session=os.name == "posix", creationflags=own,
        )  # fmt: skip
        self._all.append(worker)
        return worker


def _forget(worker: subprocess.Popen[bytes]) -> None:
    for end in (worker.stdin, worker.stdout):
        with suppress(OSError):  # what was not sent yet to one that has died
            if end is not None:
                end.close()
    worker.wait()


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def local(workers: int | None, avoided: Sequence[Path] = ()) -> Iterator[Engine]:
    """This process, or workers beside it.

    Args:
        workers: How many run at once; None for one a core.
        avoided: Folders from which no worker imports anything.
    """
    workers = workers or cores()
    if workers == 1:
        yield ThisProcess()
        return
    processes = Processes(workers, avoided)
    try:
        yield processes
    finally:
        processes.close()
