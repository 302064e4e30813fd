"""How a command ends when something is wrong: one sentence, and an exit code that says what."""

from __future__ import annotations

import os
import sys
from typing import Any

from typer import Exit, echo
from typer.core import TyperGroup

from canalwright.errors import CanalwrightError

__all__ = ["DEBUG_VARIABLE", "Commands"]

DEBUG_VARIABLE = "CANALWRIGHT_DEBUG"


class Commands(TyperGroup):
    """The group of all commands."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; turn errors of ours into a sentence and an exit code."""
        try:
            return super().invoke(ctx)
        except CanalwrightError as error:
            _raise_if_debugging(error)
            echo(f"canalwright: {error.sentence()}", err=True)
            raise Exit(error.exit_code) from None
        except (OSError, MemoryError, ArithmeticError, LookupError, TypeError, ValueError) as error:
            _raise_if_debugging(error)
            echo(f"canalwright: {_unexpected(error)}", err=True)
            raise Exit(1) from None


def _unexpected(error: Exception) -> str:
    if isinstance(error, BrokenPipeError):
        # Whoever read our output has gone; writing more would only fail again.
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
        return "the reader of the output closed it."
    if isinstance(error, MemoryError):
        return "not enough memory for this volume; nothing was written."
    if isinstance(error, OSError) and error.filename:
        return f"{error.filename}: {error.strerror}."
    text = " ".join(str(error).split()) or type(error).__name__
    return (
        f"an error in the program itself ({type(error).__name__}: {text}); nothing was written. "
        "Run it again as 'canalwright --debug …' and report what it prints."
    )


def _raise_if_debugging(error: BaseException) -> None:
    if os.environ.get(DEBUG_VARIABLE):
        raise error
