"""Tasks on Dask: in this process, in processes of this machine, or on a cluster; one way for all.

A task is a pure function of its argument. Every task runs with one thread, so that libraries add
up in the same order wherever it runs: results are then the same bits in every kind of run on the
same kind of processor.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from canalwright.cohort.libraries import needed
from canalwright.errors import CanalwrightError, OutOfRange, UsageError

__all__ = ["Executor", "Outcome", "outcomes"]

PURPOSE: Final = "Running a cohort"
_CONNECT_S: Final = 15
_RESTARTS: Final = 1
"""How often a task is tried again after the worker that ran it was lost."""


@dataclass(frozen=True, slots=True)
class Executor:
    """Where tasks run.

    Attributes
    ----------
    workers : int
        Processes on this machine; 0 for this process itself.
    scheduler : str
        Address of a running scheduler such as ``tcp://host:8786``; empty for none.
    memory_gb : float
        Largest memory of each local process.

    Raises
    ------
    UsageError
        If both workers and a scheduler are given.
    OutOfRange
        If a number is impossible.
    """

    workers: int = 0
    scheduler: str = ""
    memory_gb: float = 1.5

    def __post_init__(self) -> None:
        if self.scheduler and self.workers:
            raise UsageError("Give --workers for processes here or --scheduler, not both.")
        if not 0 <= self.workers <= 512:
            raise OutOfRange(name="number of workers", got=self.workers, unit="", allowed=(0, 512))
        if not 0.5 <= self.memory_gb <= 4096.0:
            raise OutOfRange(
                name="memory of a worker", got=self.memory_gb, unit="GB", allowed=(0.5, 4096.0)
            )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one task: its result, or why there is none."""

    name: str
    result: Any = None
    reason: str = ""


def outcomes(
    function: Callable[[Any], Any],
    tasks: Iterable[tuple[str, Any]],
    executor: Executor,
    *,
    on_dashboard: Callable[[str], None] | None = None,
) -> Iterator[Outcome]:
    """Run tasks and yield what came of each as it comes; a failed one does not stop the others.

    Parameters
    ----------
    function : callable
        Importable on every worker.
    tasks : iterable of (name, argument)
        Drawn on as workers become free.
    executor : Executor
    on_dashboard : callable, optional
        Told the address of the dashboard, once.

    Raises
    ------
    MissingExtra
        If Dask is not installed.
    UsageError
        If no scheduler answers at the address, or it has no workers.
    """
    distributed = needed("distributed", PURPOSE)
    with _quiet(), _client(distributed, executor) as client:
        if on_dashboard is not None and client.dashboard_link:
            on_dashboard(_dashboard(client, executor))
        yield from _run(distributed, client, function, iter(tasks))


def _dashboard(client: Any, executor: Executor) -> str:
    """Return the address of the dashboard; on this machine it listens to this machine alone."""
    address = str(client.dashboard_link)
    if executor.scheduler:
        return address
    return re.sub(r"//[^/]*:", "//127.0.0.1:", address)


def _run(
    distributed: Any, client: Any, function: Callable[[Any], Any], tasks: Iterator[tuple[str, Any]]
) -> Iterator[Outcome]:
    waiting = distributed.as_completed()
    names: dict[Any, str] = {}

    def submit() -> bool:
        name, argument = next(tasks, ("", None))
        if not name:
            return False
        future = client.submit(_alone, function, argument, pure=False)
        names[future.key] = name
        waiting.add(future)
        return True

    def fill() -> None:
        # No task waits at a worker: if that is lost, only what it worked on is to blame.
        while len(names) < _threads(client) and submit():
            pass

    fill()
    for future in waiting:
        yield _outcome(names.pop(future.key), future)
        future.release()
        fill()


def _outcome(name: str, future: Any) -> Outcome:
    if future.cancelled():
        raise UsageError(
            "The scheduler went away. What was finished is kept; start it and run this again."
        )
    try:
        return Outcome(name, future.result())
    except Exception as error:  # whatever a task meets in its data is its own outcome
        return Outcome(name, reason=reason_of(error))


def reason_of(error: BaseException) -> str:
    """Return why a task failed, as one sentence."""
    if isinstance(error, CanalwrightError):
        return str(error)
    if type(error).__name__ == "KilledWorker":
        return (
            "The process that worked on it ended before it was done, and so did the next; most "
            "often memory does not suffice: give each worker more."
        )
    if isinstance(error, MemoryError):
        return "Memory does not suffice for it: give each worker more."
    return " ".join(f"{type(error).__name__}: {error}".split())


def _alone(function: Callable[[Any], Any], argument: Any) -> Any:
    """Run a task with one thread in every library."""
    import numba
    from threadpoolctl import threadpool_limits

    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        with threadpool_limits(1):
            return function(argument)
    finally:
        numba.set_num_threads(before)


def _threads(client: Any) -> int:
    count = sum(client.nthreads().values())
    if not count:
        raise UsageError("The scheduler has no workers; start some with: dask worker ADDRESS")
    return int(count)


@contextlib.contextmanager
def _client(distributed: Any, executor: Executor) -> Iterator[Any]:
    needed("threadpoolctl", PURPOSE)
    if executor.scheduler:
        with _connected(distributed, executor.scheduler) as client:
            yield client
        return
    with _cluster(distributed, executor) as cluster, distributed.Client(cluster) as client:
        yield client


@contextlib.contextmanager
def _connected(distributed: Any, address: str) -> Iterator[Any]:
    try:
        client = distributed.Client(address, timeout=_CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise UsageError(f"No scheduler answers at {address}: {reason}") from None
    with client:
        client.wait_for_workers(1, timeout=_CONNECT_S)
        yield client


def _cluster(distributed: Any, executor: Executor) -> Any:
    local = executor.workers == 0
    return distributed.LocalCluster(
        n_workers=max(executor.workers, 1),
        threads_per_worker=1,
        processes=not local,
        memory_limit=0 if local else int(executor.memory_gb * 1e9),
        dashboard_address="127.0.0.1:0",
        silence_logs=50,
        **({"protocol": "inproc://"} if local else {"host": "127.0.0.1"}),
    )


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep log lines of a lost worker off the screen: what matters is said per task."""
    import dask

    settings = {
        "distributed.scheduler.allowed-failures": _RESTARTS,
        "distributed.worker.multiprocessing-method": "spawn",
        "distributed.logging.distributed": "critical",
        "distributed.admin.tick.limit": "60s",
    }
    with dask.config.set(settings):
        yield
