"""Options that several commands share, read once at the door into one object.

A command asks for the object by the name of a parameter; its options take that parameter's place
in the help and in what the user may give.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Any

__all__ = ["Bundle", "taking"]


@dataclass(frozen=True, eq=False)
class Bundle:
    """Options, each with its annotation and default, and what is made of their values.

    Attributes
    ----------
    options : mapping of str to (annotation, default)
        By the names of the parameters of `build`.
    build : callable
        Returns the object that the command receives.
    """

    options: Mapping[str, tuple[Any, Any]]
    build: Callable[..., Any]


def taking(**bundles: Bundle) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return a decorator that puts the options of bundles in place of parameters of a command.

    Parameters
    ----------
    **bundles : Bundle
        By the names of the parameters.
    """

    def decorated(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def run(**values: Any) -> None:
            for name, bundle in bundles.items():
                given = {option: values.pop(option) for option in bundle.options}
                values[name] = bundle.build(**given)
            command(**values)

        parameters = list(_unfolded(command, bundles))
        run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in parameters}
        return run

    return decorated


def _unfolded(
    command: Callable[..., None], bundles: Mapping[str, Bundle]
) -> Iterator[inspect.Parameter]:
    """Yield the parameters of a command, those of bundles in their place."""
    keyword = inspect.Parameter.KEYWORD_ONLY
    for name, parameter in inspect.signature(command, eval_str=True).parameters.items():
        if name not in bundles:
            yield parameter.replace(kind=keyword)
            continue
        for option, (annotation, default) in bundles[name].options.items():
            yield inspect.Parameter(option, keyword, default=default, annotation=annotation)
