"""A process of its own for heavy work: takes jobs on its input, answers on its output.

Every job is a pickled pair of a function and its arguments. Answers are pairs of a word and a
value: ``progress`` with the share done, then ``done`` with the result, ``failed`` with an error of
this package, or ``broke`` with the trace of any other.
It ends when its input closes, also in the middle of a job: then nobody waits for it any more.

Started by `canalwright.web.jobs`; both ends are the same program of the same user.
"""

from __future__ import annotations

import gc
import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from typing import IO, Any, Final

from canalwright.errors import CanalwrightError
from canalwright.web.memory import give_back

__all__ = ["BROKE", "DONE", "FAILED", "PROGRESS", "main"]

PROGRESS: Final = "progress"
DONE: Final = "done"
FAILED: Final = "failed"
BROKE: Final = "broke"


def main() -> None:
    """Do jobs until the input closes."""
    # Whoever interrupts the server closes the input.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # What a library prints must not get between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    jobs: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
    threading.Thread(target=_take, args=(sys.stdin.buffer, jobs), daemon=True).start()
    while True:
        _do(jobs.get(), answers)
        gc.collect()
        give_back()


def _take(source: IO[bytes], jobs: queue.SimpleQueue[tuple[Any, ...]]) -> None:
    try:
        while True:
            jobs.put(pickle.load(source))
    except EOFError:
        os._exit(0)
    except Exception:
        traceback.print_exc()
        os._exit(1)


def _do(job: tuple[Any, ...], answers: IO[bytes]) -> None:
    function, given, tells = job
    tell = _teller(answers)
    try:
        more = {"progress": tell} if tells else {}
        answer = pickle.dumps((DONE, function(*given, **more)), pickle.HIGHEST_PROTOCOL)
    except CanalwrightError as error:
        answer = pickle.dumps((FAILED, error))
    except Exception:
        answer = pickle.dumps((BROKE, traceback.format_exc()))
    answers.write(answer)
    answers.flush()


def _teller(answers: IO[bytes]) -> Callable[[float], None]:
    def tell(share: float) -> None:
        answers.write(pickle.dumps((PROGRESS, float(share))))
        answers.flush()

    return tell


if __name__ == "__main__":
    main()
