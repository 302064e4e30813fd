"""``canalwright serve``: the workbench in the browser."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from canalwright.cli.records_options import (
    DatabaseUrl,
    DataFolder,
    database_url,
    default_folder,
)
from canalwright.errors import UsageError

__all__ = ["serve"]

_DEMO = "from canalwright.cli.app import main; main()"


def serve(
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS",
            help="Where to listen. Any address but this machine's own needs users and TLS.",
        ),
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(metavar="N", help="Port to listen on.")] = 8484,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Certificate (PEM) for TLS.")
    ] = None,
    key: Annotated[Path | None, typer.Option(metavar="FILE", help="Its key (PEM).")] = None,
    behind_proxy: Annotated[
        bool,
        typer.Option("--behind-proxy", help="A proxy before it speaks TLS with the browsers."),
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option(metavar="HOST", help="Host name under which browsers reach it; repeatable."),
    ] = None,
) -> None:
    """Open the workbench for the browser: cases, measuring, plans, chairside, instruments."""
    if find_spec("nicegui") is None:
        raise UsageError(
            "The workbench needs the extra 'web': run 'make serve', or install it with "
            "'pip install canalwright[web]'."
        )
    from canalwright.web.settings import ServeSettings, checked_address, checked_port

    address = checked_address(host)
    settings = ServeSettings(
        host=address,
        port=checked_port(address, port),
        data=data or default_folder(),
        demo_command=(sys.executable, "-c", _DEMO, "demo"),
        database_url=database_url(database),
        certificate=certificate,
        key=key,
        behind_proxy=behind_proxy,
        names=tuple(name or ()),
    )
    from canalwright.web.server import serve as run_server

    run_server(settings)
