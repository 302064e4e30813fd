"""Heavy work in processes that end when nobody needs them, so that the server stays small.

A job is a function of a module without the web framework, and arguments that can be pickled. It is
stopped by ending its process; the next job gets a new one.
"""

from __future__ import annotations

import atexit
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any, Final, Protocol, TypeVar

from canalwright.errors import CanalwrightError
from canalwright.web.job_process import BROKE, DONE, FAILED

__all__ = ["IDLE_S", "JobBroke", "JobLost", "Jobs", "Stopped", "do", "jobs"]

T = TypeVar("T")

IDLE_S: Final = 45.0
"""How long a process waits for the next job before it ends."""

_LOOK_EVERY_S: Final = 0.2
_LEAST: Final = 2
_MOST: Final = 4
# One job keeps one processor busy; several pools of threads would only take memory.
_ENVIRONMENT: Final = {"OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}


class Stopped(CanalwrightError):
    """Work that somebody stopped; nothing was kept of it."""

    def sentence(self) -> str:
        """Return the message."""
        return "Stopped. Nothing was changed, and what you entered is kept."


class JobLost(CanalwrightError):
    """A job whose process ended by itself."""

    def sentence(self) -> str:
        """Return the message."""
        return (
            "The computation ended before it was done, most likely for want of memory. Try again "
            "when less is open, or with a smaller scan."
        )


class JobBroke(RuntimeError):
    """A fault of the program in a job, with the trace of the process it happened in."""


class Telling(Protocol):
    """What a job tells its progress, and what tells the job that it is to stop."""

    def __call__(self, share: float, /) -> None:
        """Take the share done, 0 to 1."""

    def when_stopped(self, stop: Callable[[], None] | None, /) -> None:
        """Call this when somebody wants the work to stop; None when it has ended."""


class _Process:
    """One process and the pipe to it; in the hands of one thread at a time."""

    def __init__(self) -> None:
        self.room = ""
        self.timer: threading.Timer | None = None
        self._stopped = False
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canalwright.web.job_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **_ENVIRONMENT},
        )

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    @property
    def lives(self) -> bool:
        """Whether it can take a job."""
        return self._process.poll() is None

    def do(self, job: tuple[Any, ...], progress: Callable[[float], None] | None) -> Any:
        """Do a job; progress is told meanwhile."""
        try:
            return self._answer(job, progress)
        except (EOFError, BrokenPipeError, pickle.UnpicklingError):
            raise (Stopped() if self._stopped else JobLost()) from None

    def stop(self) -> None:
        """End it in the middle of its work; called by another thread."""
        self._stopped = True
        self._process.kill()

    def end(self) -> None:
        """End it and wait until it is gone."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    def _answer(self, job: tuple[Any, ...], progress: Callable[[float], None] | None) -> Any:
        given, answers = self._process.stdin, self._process.stdout
        if given is None or answers is None:
            raise EOFError
        given.write(pickle.dumps(job, pickle.HIGHEST_PROTOCOL))
        given.flush()
        while True:
            word, value = pickle.load(answers)
            if word == DONE:
                return value
            if word == FAILED:
                raise value
            if word == BROKE:
                raise JobBroke(value)
            if progress is not None:
                progress(value)


class Jobs:
    """A few processes; further jobs wait for one to be free.

    Parameters
    ----------
    most : int
        How many work at once.
    idle_s : float
        How long one waits for its next job.
    """

    def __init__(self, most: int, idle_s: float = IDLE_S) -> None:
        self._idle_s = idle_s
        self._places = threading.BoundedSemaphore(most)
        self._lock = threading.Lock()
        self._idle: list[_Process] = []
        self._all: set[_Process] = set()

    def do(
        self,
        function: Callable[..., T],
        *given: Any,
        progress: Telling | None = None,
        room: str = "",
        tells: bool = True,
    ) -> T:
        """Do a job and return its result; blocks the thread.

        Parameters
        ----------
        function : callable
            Of a module that the process can import.
        *given
        progress : Telling, optional
            Also told when to stop.
        room : str
            Jobs of one room go to the same process if it is free: it has read the scan already.
        tells : bool
            Whether the function takes `progress` itself.

        Raises
        ------
        Stopped, JobLost, CanalwrightError
        """
        self._wait_for_a_place(progress)
        try:
            process = self._taken(room)
            try:
                job = (function, given, tells and progress is not None)
                done: T = self._done(process, job, progress)
                return done
            except (Stopped, JobLost):
                self._end(process)
                raise
            finally:
                self._put_back(process)
        finally:
            self._places.release()

    def pids(self) -> list[int]:
        """Return the processes there are."""
        with self._lock:
            return [one.pid for one in self._all if one.lives]

    def close(self) -> None:
        """End every process."""
        with self._lock:
            known = list(self._all)
        for one in known:
            one.stop()
            self._end(one)

    def _wait_for_a_place(self, progress: Telling | None) -> None:
        while not self._places.acquire(timeout=_LOOK_EVERY_S):
            if progress is not None:
                # Raises if somebody gave up waiting.
                progress(0.0)

    def _done(self, process: _Process, job: tuple[Any, ...], progress: Telling | None) -> Any:
        if progress is None:
            return process.do(job, None)
        progress.when_stopped(process.stop)
        try:
            return process.do(job, progress)
        finally:
            progress.when_stopped(None)

    def _taken(self, room: str) -> _Process:
        with self._lock:
            free = sorted(self._idle, key=lambda one: one.room != room)
            process = next((one for one in free if one.lives), None) or _Process()
            self._all.add(process)
            if process in self._idle:
                self._idle.remove(process)
            if process.timer is not None:
                process.timer.cancel()
            process.room = room or process.room
            return process

    def _put_back(self, process: _Process) -> None:
        if not process.lives:
            self._end(process)
            return
        with self._lock:
            self._idle.append(process)
            process.timer = threading.Timer(self._idle_s, self._forget, (process,))
            process.timer.daemon = True
            process.timer.start()

    def _forget(self, process: _Process) -> None:
        with self._lock:
            if process not in self._idle:
                return
            self._idle.remove(process)
        self._end(process)

    def _end(self, process: _Process) -> None:
        with self._lock:
            if process not in self._all:
                return
            self._all.discard(process)
            if process in self._idle:
                self._idle.remove(process)
            if process.timer is not None:
                process.timer.cancel()
        process.end()


_made: list[Jobs] = []
_making: Final = threading.Lock()


def jobs() -> Jobs:
    """Return the processes of this server."""
    with _making:
        if not _made:
            _made.append(Jobs(min(max(os.cpu_count() or 1, _LEAST), _MOST)))
            atexit.register(_made[0].close)
        return _made[0]


def do(
    function: Callable[..., T],
    *given: Any,
    progress: Telling | None = None,
    room: str = "",
    tells: bool = True,
) -> T:
    """Do a job in a process of this server; see `Jobs.do`."""
    return jobs().do(function, *given, progress=progress, room=room, tells=tells)
