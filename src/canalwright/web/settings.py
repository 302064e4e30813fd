"""How the workbench is started: where it listens, and where the records are."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from pathlib import Path

from canalwright.errors import UsageError

__all__ = ["ServeSettings", "check_reachable", "checked_address", "checked_port", "is_loopback"]


@dataclass(frozen=True, slots=True)
class ServeSettings:
    """Where the workbench listens, and what it works on.

    Attributes
    ----------
    host : str
    port : int
    data : Path
        Folder of the records.
    demo_command : tuple of str
        Program that makes the demo case; ``--out FOLDER`` is appended. Its lines on standard
        error that read ``progress SHARE TEXT`` are shown.
    database_url : str or None
        A PostgreSQL database instead of the folder's own.
    certificate, key : Path or None
        For TLS.
    behind_proxy : bool
        Whether a proxy on this machine answers the network and speaks TLS.
    names : tuple of str
        Host names under which browsers reach it, besides this machine's own.
    """

    host: str
    port: int
    data: Path
    demo_command: tuple[str, ...]
    database_url: str | None = None
    certificate: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False
    names: tuple[str, ...] = ()

    @property
    def secure(self) -> bool:
        """Whether browsers reach it over TLS."""
        return self.certificate is not None or self.behind_proxy


def checked_address(host: str) -> str:
    """Return an address to listen on.

    Raises
    ------
    UsageError
        If it is none.
    """
    name = host.strip().strip("[]")
    if name.lower() == "localhost":
        return "127.0.0.1"
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        raise UsageError(
            f"{host!r} is no address to listen on; give one of this machine's addresses such as "
            "127.0.0.1."
        ) from None


def is_loopback(address: str) -> bool:
    """Return whether an address is reached from this machine only."""
    return ipaddress.ip_address(address).is_loopback


def check_reachable(settings: ServeSettings, *, has_users: bool) -> None:
    """Refuse to let others in without users and an encrypted connection.

    Raises
    ------
    UsageError
        If the server would be reached from elsewhere, or through a proxy, without either.
    """
    if (settings.certificate is None) != (settings.key is None):
        raise UsageError("TLS needs both: give --certificate FILE and --key FILE.")
    exposed = not is_loopback(settings.host) or settings.behind_proxy
    if exposed and not has_users:
        raise UsageError(
            f"Others could reach {settings.host}, and anybody could read every case, because there "
            "are no users; make one first with: canalwright users add NAME --role admin."
        )
    if not is_loopback(settings.host) and not settings.secure:
        raise UsageError(
            f"Passwords and cases would cross the network unencrypted to reach {settings.host}; "
            "give --certificate FILE and --key FILE, or --behind-proxy if a proxy speaks TLS "
            "before it."
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
