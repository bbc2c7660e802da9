"""Builds the whole laboratory on the loopback range and takes it down again."""

from __future__ import annotations

import asyncio
import datetime
import socket
import tempfile
import threading
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import paramiko

from verify.laboratory import nameserver, shellserver, timeserver, webserver
from verify.laboratory.authority import Credential, Validity, intermediate, leaf, make_key, root
from verify.laboratory.plantext import Ports, plan_text
from verify.laboratory.scenario import (
    HOSTS,
    NAME_SERVERS,
    TIME_SOURCES,
    WRONG_SOURCE,
    WRONG_SOURCE_SECONDS,
    LabHost,
)

_PLAN_FILE, _ANCHOR_FILE = "tidewater.toml", "tidewater-ca.pem"
_START_SECONDS = 10.0


class Laboratory:
    """The laboratory, running while the context is entered.  ``plan_file`` and its trust anchor stay in ``folder``.

    Raises OSError on entering where the loopback range cannot be used.
    """

    def __init__(self, folder: Path) -> None:
        self.plan_file = folder / _PLAN_FILE
        self._folder = folder
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="laboratory", daemon=True)
        self._servers: list[asyncio.Task[None]] = []

    def __enter__(self) -> Laboratory:
        ports = _free_ports()
        anchor, credentials = _certificates()
        self.plan_file.write_text(plan_text(ports, _ANCHOR_FILE), encoding="utf-8")
        (self._folder / _ANCHOR_FILE).write_bytes(anchor.pem)
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._start(_servers(ports, credentials)), self._loop).result(_START_SECONDS)
        return self

    def __exit__(self, *_exc: object) -> None:
        asyncio.run_coroutine_threadsafe(self._stop(), self._loop).result(_START_SECONDS)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_START_SECONDS)
        self._loop.close()

    async def _start(self, servers: list[Coroutine[Any, Any, None]]) -> None:
        self._servers = [asyncio.create_task(server) for server in servers]
        # One turn of the loop lets every server bind; whatever could not ends at once and says why.
        await asyncio.sleep(0.05)
        for server in self._servers:
            if server.done():
                server.result()

    async def _stop(self) -> None:
        for server in self._servers:
            server.cancel()
        await asyncio.gather(*self._servers, return_exceptions=True)
        await self._loop.shutdown_default_executor()


def _servers(ports: Ports, credentials: dict[str, Credential]) -> list[Coroutine[Any, Any, None]]:
    keys: dict[str, paramiko.PKey] = {host.name: shellserver.make_host_key() for host in HOSTS if host.twin is None}
    servers = [nameserver.serve(address, ports.names) for address in NAME_SERVERS]
    for address in TIME_SOURCES:
        ahead = WRONG_SOURCE_SECONDS if address == WRONG_SOURCE else 0.0
        servers.append(timeserver.serve(address, ports.time, ahead_seconds=ahead))
    for host in HOSTS:
        servers.append(timeserver.serve(host.address, ports.time, ahead_seconds=host.clock_seconds,
                                        synchronised=host.synchronised))
        servers.append(shellserver.serve(host.address, ports.shell, keys[host.twin or host.name]))
        if host.web:
            with tempfile.TemporaryDirectory() as folder:
                context = webserver.context(credentials[host.name], Path(folder), old_versions=host.old_tls)
            servers.append(webserver.serve(host.address, ports.web, context))
        if host.open_console:
            servers.append(shellserver.serve_console(host.address, ports.console))
    return servers


def _certificates() -> tuple[Credential, dict[str, Credential]]:
    """The site's trust anchor, and each host's credential."""
    now = datetime.datetime.now(datetime.UTC)
    anchor = root("Tidewater Observatory Root", Validity.around(now, days_before=300, days_after=3000))
    issuer = intermediate(anchor, "Tidewater Observatory Issuing", Validity.around(now, days_before=200, days_after=1500))
    return anchor, {host.name: _certificate(host, issuer, now) for host in HOSTS}


def _certificate(host: LabHost, issuer: Credential, now: datetime.datetime) -> Credential:
    if host.certificate == "self-signed":
        return leaf(None, ("localhost.localdomain",), Validity.around(now, days_before=1, days_after=3650),
                    key=make_key("rsa-2048"), common_name="localhost.localdomain")
    names = host.certificate_names or (host.fqdn, host.address)
    return leaf(issuer, names, Validity.around(now, days_before=2, days_after=363))


def _free_ports() -> Ports:
    """Ports that are free on this machine now, over TCP and UDP alike."""
    held = []
    try:
        for _ in range(5):
            stream = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            held.append(stream)
            stream.bind(("", 0))
            datagram = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            held.append(datagram)
            datagram.bind(("", stream.getsockname()[1]))
        names, time, shell, web, console = (sock.getsockname()[1] for sock in held[::2])
    finally:
        for sock in held:
            sock.close()
    return Ports(names=names, time=time, shell=shell, web=web, console=console)
