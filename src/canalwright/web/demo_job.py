"""The demo case, made by a worker process so that pages go on answering."""

from __future__ import annotations

import asyncio
import os
from collections import deque
from pathlib import Path
from typing import Final

from canalwright.errors import UsageError
from canalwright.web.running import Progress, Stopped

__all__ = ["PROGRESS_WORD", "make_demo", "read_progress"]

PROGRESS_WORD: Final = "progress"
_LINES_KEPT: Final = 5


async def make_demo(command: tuple[str, ...], out: Path, progress: Progress) -> None:
    """Run the demo and tell how far it is.

    Raises
    ------
    UsageError
        If it fails; the sentence carries what it said last.
    Stopped
        If somebody stopped it.
    """
    worker = await asyncio.create_subprocess_exec(
        *command,
        "--out",
        str(out),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "CANALWRIGHT_PROGRESS": "lines"},
    )
    said: deque[str] = deque(maxlen=_LINES_KEPT)
    progress.when_stopped(lambda: _kill(worker))
    try:
        while worker.stderr is not None and (line := await worker.stderr.readline()):
            _follow(line.decode("utf-8", "replace").strip(), progress, said)
        code = await worker.wait()
    finally:
        progress.when_stopped(None)
        _kill(worker)
    if progress.stopped:
        raise Stopped
    if code != 0:
        raise UsageError(f"The demo ended with exit code {code}: {' '.join(said) or 'no message'}.")


def read_progress(line: str) -> tuple[float, str] | None:
    """Return share and text of a line ``progress SHARE TEXT``, or None for any other line."""
    word, _, rest = line.partition(" ")
    share_text, _, text = rest.partition(" ")
    try:
        return (float(share_text), text) if word == PROGRESS_WORD else None
    except ValueError:
        return None


def _kill(worker: asyncio.subprocess.Process) -> None:
    if worker.returncode is None:
        worker.kill()


def _follow(line: str, progress: Progress, said: deque[str]) -> None:
    told = read_progress(line)
    if told is None:
        said.append(line)
        return
    progress.share = told[0]
    progress.text = told[1]
