"""The server as a process: ready soon, on this machine only, nothing from elsewhere."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from canalwright.cli import serve as serve_command
from canalwright.cli.app import app
from canalwright.errors import UsageError
from canalwright.web.demo_job import read_progress
from canalwright.web.settings import (
    ServeSettings,
    check_reachable,
    checked_address,
    checked_port,
    is_loopback,
)

START_LIMIT_S = 4.0
# Whatever else the machine is doing; the limit itself is on processor time.
PATIENCE_S = 60.0

run = CliRunner()


@dataclass(frozen=True)
class Server:
    address: str
    spent_s: float


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


@pytest.fixture(scope="module")
def server(tmp_path_factory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("served")
    port = free_port()
    command = [str(Path(sys.executable).with_name("canalwright")), "serve"]
    # The page framework behaves differently where it believes to be under test.
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    with subprocess.Popen(
        [*command, "--port", str(port), "--data", str(folder)],
        stderr=subprocess.DEVNULL,
        env=own,
    ) as process:
        try:
            address = f"http://127.0.0.1:{port}"
            _wait_for(address, process)
            spent = processor_s(process.pid) if sys.platform == "linux" else 0.0
            yield Server(address, spent)
        finally:
            process.terminate()
            process.wait(20)


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        assert process.poll() is None, "the server ended"
        try:
            httpx.get(address, timeout=PATIENCE_S)
        except httpx.ConnectError:
            time.sleep(0.05)
        else:
            return
    raise AssertionError("the server did not answer")


def test_the_server_is_ready_within_its_limit(server):
    assert server.spent_s < START_LIMIT_S


def test_a_page_names_no_other_machine(server):
    page = httpx.get(server.address + "/").text
    outside = {
        url for url in re.findall(r"https?://[^\s\"'<>)\\]+", page) if "127.0.0.1" not in url
    }
    # The name of the vector graphics format is a name, not an address that is asked.
    assert {url for url in outside if "www.w3.org" not in url} == set()


def test_the_browser_is_told_to_ask_nobody_else(server):
    headers = httpx.get(server.address + "/").headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "http" not in policy.replace("http://127.0.0.1", "")
    assert headers["referrer-policy"] == "no-referrer"


def test_other_host_names_and_origins_are_refused(server):
    for headers in ({"host": "evil.example"}, {"origin": "http://evil.example"}):
        assert httpx.get(server.address + "/", headers=headers).status_code == 403


def test_figures_fonts_come_from_this_machine_and_nothing_else_does(server):
    assert httpx.get(server.address + "/fonts/DejaVuSans.ttf").status_code == 200
    for path in (
        "/fonts/../workbench.css",
        "/fonts/%2e%2e%2f%2e%2e%2fetc%2fpasswd",
        "/canals.json",
    ):
        assert httpx.get(server.address + path).status_code == 404


def test_paths_in_an_address_lead_nowhere(server):
    for path in ("/case/..%2f..%2fetc/x/1", "/x/../../../etc/passwd", "/step/canals.json/1/2"):
        answer = httpx.get(server.address + path)
        assert answer.status_code == 404
        assert "There is no such page" in answer.text


def test_an_oversized_body_is_refused_before_it_is_read(server):
    host = server.address.removeprefix("http://")
    name, port = host.split(":")
    head = f"POST /_nicegui/client/x/upload/1 HTTP/1.1\r\nHost: {host}\r\n"
    with socket.create_connection((name, int(port)), timeout=PATIENCE_S) as line:
        line.sendall(f"{head}Content-Length: 99000000000\r\n\r\n".encode())
        assert line.recv(1000).startswith(b"HTTP/1.1 413")


def test_a_body_of_unknown_length_is_refused(server):
    answer = httpx.post(server.address + "/", content=iter([b"x"]))
    assert answer.status_code == 413


@pytest.mark.parametrize("host", ["example.org", "", "1.2.3", "127.0.0.1:80"])
def test_what_is_no_address_is_refused(host):
    with pytest.raises(UsageError, match="no address to listen on"):
        checked_address(host)


@pytest.mark.parametrize(
    ("host", "address"), [("127.0.0.1", "127.0.0.1"), ("localhost", "127.0.0.1"), ("[::1]", "::1")]
)
def test_loopback_hosts_are_known(host, address):
    assert checked_address(host) == address
    assert is_loopback(address)


def settings(host: str, **options: object) -> ServeSettings:
    return ServeSettings(host, 8484, Path(), (), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.0.7", "::"])
def test_others_are_let_in_with_users_and_encryption_only(host):
    tls = {"certificate": Path("cert.pem"), "key": Path("key.pem")}
    with pytest.raises(UsageError, match="there are no users"):
        check_reachable(settings(host, **tls), has_users=False)
    with pytest.raises(UsageError, match="unencrypted"):
        check_reachable(settings(host), has_users=True)
    with pytest.raises(UsageError, match="TLS needs both"):
        check_reachable(settings(host, certificate=Path("cert.pem")), has_users=True)
    check_reachable(settings(host, **tls), has_users=True)
    check_reachable(settings(host, behind_proxy=True), has_users=True)


def test_a_proxy_needs_users_even_on_loopback():
    with pytest.raises(UsageError, match="there are no users"):
        check_reachable(settings("127.0.0.1", behind_proxy=True), has_users=False)
    check_reachable(settings("127.0.0.1"), has_users=False)


def test_the_command_refuses_others_without_users(tmp_path):
    result = run.invoke(app, ["serve", "--host", "0.0.0.0", "--data", str(tmp_path)])
    assert result.exit_code == 2
    assert "users add" in result.stderr
    assert result.stderr.count("\n") == 1


def test_without_the_web_extra_the_way_to_it_is_told(monkeypatch):
    monkeypatch.setattr(serve_command, "find_spec", lambda _name: None)
    result = run.invoke(app, ["serve"])
    assert result.exit_code == 2
    assert "make serve" in result.stderr
    assert "pip install canalwright[web]" in result.stderr


def test_a_busy_port_is_told():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = int(taken.getsockname()[1])
        with pytest.raises(UsageError, match="cannot be used"):
            checked_port("127.0.0.1", port)
    with pytest.raises(UsageError, match="no port 0"):
        checked_port("127.0.0.1", 0)


def test_progress_lines_of_the_demo_are_read():
    assert read_progress("progress 0.250 Measuring distal") == (0.25, "Measuring distal")
    assert read_progress("wrote 8 files") is None
    assert read_progress("progress bar") is None
