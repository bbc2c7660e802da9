"""Clocks that are wrong on purpose: nginx and chrony moved by libfaketime, and a host of our own whose truth is known."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from labkit.needs import find
from probes import ntpwire

_MOVED_HOST = Path(__file__).with_name("moved_host.py")
_READY_SECONDS = 20.0
_END_SECONDS = 10.0


def free_ports(count: int, kind: socket.SocketKind = socket.SOCK_STREAM) -> list[int]:
    """Ports of 127.0.0.1 that nobody uses now."""
    with contextlib.ExitStack() as stack:
        socks = [stack.enter_context(socket.socket(socket.AF_INET, kind)) for _ in range(count)]
        for sock in socks:
            sock.bind(("127.0.0.1", 0))
        return [int(sock.getsockname()[1]) for sock in socks]


def moved_environment(offset_seconds: float) -> dict[str, str]:
    """The environment in which libfaketime adds ``offset_seconds`` to the time of day and leaves durations alone.

    It reads its variable again every ten seconds unless told otherwise, and nginx empties its environment.
    """
    library = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)
    assert library is not None, "libfaketime is not installed; tests/setup does it"
    return {**os.environ, "LD_PRELOAD": str(library), "FAKETIME": f"{offset_seconds:+.6f}", "FAKETIME_CACHE_DURATION": "1000000",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1"}


@contextlib.contextmanager
def running(command: Sequence[str], environment: dict[str, str] | None = None, **options: Any) -> Iterator[subprocess.Popen[str]]:
    """A process that is ended by its own id when the block is."""
    process = subprocess.Popen(command, env=environment, text=True, **options)
    try:
        yield process
    finally:
        if process.stdin is not None:
            process.stdin.close()
        process.terminate()
        try:
            process.wait(_END_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(_END_SECONDS)
        if process.stdout is not None:
            process.stdout.close()


@contextlib.contextmanager
def moved_host(faces: list[dict[str, Any]], *, prefix: Sequence[str] = ()) -> Iterator[None]:
    """``moved_host.py`` with some faces; ``prefix`` runs it elsewhere ("ip netns exec ...")."""
    command = [*prefix, sys.executable, str(_MOVED_HOST), json.dumps(faces)]
    with running(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield


@contextlib.contextmanager
def moved_nginx(folder: Path, offset_seconds: float, *, certificate: Path, key: Path) -> Iterator[tuple[int, int]]:
    """Nginx with a moved clock: the ports on 127.0.0.1 where it speaks plain HTTP and TLS."""
    plain, tls = free_ports(2)
    config = folder / f"nginx-{plain}.conf"
    config.write_text(f"""
daemon off; master_process off; user root; pid {folder}/nginx-{plain}.pid; error_log {folder}/nginx-{plain}.log;
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body-{plain}; proxy_temp_path {folder}/proxy-{plain};
  fastcgi_temp_path {folder}/fastcgi-{plain}; uwsgi_temp_path {folder}/uwsgi-{plain}; scgi_temp_path {folder}/scgi-{plain};
  server {{
    listen 127.0.0.1:{plain}; listen 127.0.0.1:{tls} ssl;
    ssl_certificate {certificate}; ssl_certificate_key {key};
    location / {{ return 404; }}
  }}
}}
""")
    command = [find("nginx"), "-c", str(config), "-e", str(folder / f"nginx-{plain}.start")]
    with running(command, moved_environment(offset_seconds), stderr=subprocess.DEVNULL) as process:
        _wait_for(tls, process)
        yield plain, tls


@contextlib.contextmanager
def moved_chrony(folder: Path, offset_seconds: float) -> Iterator[int]:
    """Chronyd with a moved clock, which never touches the machine's own: the UDP port where it serves time."""
    [port] = free_ports(1, socket.SOCK_DGRAM)
    config = folder / f"chrony-{port}.conf"
    config.write_text(f"port {port}\ncmdport 0\nbindaddress 127.0.0.1\nallow 127.0.0.1\nlocal stratum 8\n"
                      f"pidfile {folder}/chrony-{port}.pid\n")
    command = [find("chronyd"), "-x", "-d", "-u", "root", "-f", str(config)]
    log = folder / f"chrony-{port}.log"
    with (log.open("w") as output,
          running(command, moved_environment(offset_seconds), stdout=output, stderr=output) as process):
        _wait_for_time(port, process, log)
        yield port


def _wait_for_time(port: int, process: subprocess.Popen[str], log: Path) -> None:
    deadline = time.monotonic() + _READY_SECONDS
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.1)
        sock.connect(("127.0.0.1", port))
        while time.monotonic() < deadline:
            assert process.poll() is None, log.read_text()
            with contextlib.suppress(TimeoutError, ConnectionRefusedError):
                sock.send(ntpwire.request(ntpwire.new_nonce()))
                if sock.recv(512):
                    return
            time.sleep(0.02)
    raise AssertionError(f"chronyd did not answer:\n{log.read_text()}")


def _wait_for(port: int, process: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + _READY_SECONDS
    while time.monotonic() < deadline:
        assert process.poll() is None, "nginx ended at once"
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
            return
        time.sleep(0.02)
    raise AssertionError("nginx did not come up")
