"""``canalwright version``."""

from __future__ import annotations

import typer

__all__ = ["print_version", "version"]


def version() -> None:
    """Print the version of the program and of the instrument catalog."""
    from canalwright import __version__
    from canalwright.instruments.catalog import catalog_edition

    typer.echo(f"canalwright {__version__} (instrument catalog {catalog_edition()})")


def print_version(asked: bool) -> None:
    """Print the version and stop, for ``--version``."""
    if asked:
        version()
        raise typer.Exit
