"""How the workbench is started: where it listens, and which folder it works on."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from canalwright.errors import UsageError

__all__ = ["DEMO_FOLDER", "ServeSettings", "checked_port", "data_folder", "require_loopback"]

DEMO_FOLDER: Final = "demo-output"


@dataclass(frozen=True, slots=True)
class ServeSettings:
    """Where the workbench listens, and what it works on.

    Attributes
    ----------
    host : str
        A loopback address.
    port : int
    data : Path
        Folder with the canals documents; uploads are stored there.
    demo_command : tuple of str
        Program that makes the demo case; ``--out FOLDER`` is appended. Its lines on standard
        error that read ``progress SHARE TEXT`` are shown.
    """

    host: str
    port: int
    data: Path
    demo_command: tuple[str, ...]


def require_loopback(host: str) -> str:
    """Return `host` if it can be reached from this machine only.

    Raises
    ------
    UsageError
        For any other host: there are no users yet whom the workbench could tell apart.
    """
    name = host.strip().strip("[]")
    if name.lower() == "localhost":
        return "127.0.0.1"
    try:
        if ipaddress.ip_address(name).is_loopback:
            return name
    except ValueError:
        pass
    raise UsageError(
        f"The workbench has no sign-in yet, so it listens on this machine only, not on {host!r}; "
        "use --host 127.0.0.1."
    )


def checked_port(host: str, port: int) -> int:
    """Return `port` if it is free.

    Raises
    ------
    UsageError
        If another program listens there, or the number is no port.
    """
    if not 1 <= port <= 65535:
        raise UsageError(f"There is no port {port}; ports are 1 to 65535.")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            raise UsageError(
                f"Port {port} on {host} cannot be used, perhaps because another program has it; "
                f"choose another one, for example --port {min(port + 1, 65535)}."
            ) from None
    return port


def data_folder(wanted: Path | None) -> Path:
    """Return the folder to work on: the one asked for, else the demo's if it is there, else this.

    Raises
    ------
    UsageError
        If the folder that was asked for does not exist.
    """
    if wanted is None:
        demo = Path(DEMO_FOLDER)
        return demo if demo.is_dir() else Path()
    if not wanted.is_dir():
        raise UsageError(f"{wanted}: there is no such folder; make it, or give another --data.")
    return wanted
