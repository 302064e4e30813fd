"""``canalwright serve``: the workbench in the browser."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from canalwright.errors import UsageError

__all__ = ["serve"]

_DEMO = "from canalwright.cli.app import main; main()"


def serve(
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Where to listen: this machine only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(metavar="N", help="Port to listen on.")] = 8484,
    data: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder with canals documents; demo-output if there is one, else this folder.",
        ),
    ] = None,
) -> None:
    """Open the workbench for the browser: cases, plans, single steps, comparisons."""
    if find_spec("nicegui") is None:
        raise UsageError(
            "The workbench needs the extra 'web': run 'make serve', or install it with "
            "'pip install canalwright[web]'."
        )
    from canalwright.web.settings import ServeSettings, checked_port, data_folder, require_loopback

    address = require_loopback(host)
    settings = ServeSettings(
        host=address,
        port=checked_port(address, port),
        data=data_folder(data),
        demo_command=(sys.executable, "-c", _DEMO, "demo"),
    )
    from canalwright.web.server import serve as run_server

    run_server(settings)
