"""``canalwright version``."""

from __future__ import annotations

import typer

from canalwright.cli.options import JsonFile

__all__ = ["print_version", "version"]


def version(json: JsonFile = None) -> None:
    """Print the version of the program and of the instrument catalog."""
    from canalwright import __version__
    from canalwright.instruments.catalog import catalog_edition

    if json is not None:
        from canalwright.cli.records_output import answer

        answer(json, "version", {"instrument_catalog": catalog_edition()})
    if json == "-":
        return
    typer.echo(f"canalwright {__version__} (instrument catalog {catalog_edition()})")


def print_version(asked: bool) -> None:
    """Print the version and stop, for ``--version``."""
    if asked:
        version(json=None)
        raise typer.Exit
