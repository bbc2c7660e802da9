"""An SSH server that proves its host key and lets nobody in, and the banner of a clear-text console."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket

import paramiko

#: A conversation that has not ended by then is cut.
_LONGEST_SECONDS = 10.0

_CIPHERS = ("aes256-gcm@openssh.com", "aes128-gcm@openssh.com", "aes256-ctr", "aes128-ctr")
_DIGESTS = ("hmac-sha2-256-etm@openssh.com", "hmac-sha2-512-etm@openssh.com", "hmac-sha2-256", "hmac-sha2-512")


class _Nobody(paramiko.ServerInterface):
    """Every login is refused."""

    def get_allowed_auths(self, username: str) -> str:
        return "publickey"


def make_host_key() -> paramiko.PKey:
    """A new ECDSA host key."""
    return paramiko.ECDSAKey.generate()


def _converse(connection: socket.socket, key: paramiko.PKey) -> None:
    transport = paramiko.Transport(connection)
    transport.local_version = "SSH-2.0-tidewater_1.0"
    transport.add_server_key(key)
    # A sound server offers neither block chaining nor MD5; the library would.
    options = transport.get_security_options()
    options.ciphers, options.digests = _CIPHERS, _DIGESTS
    with contextlib.suppress(paramiko.SSHException, EOFError, OSError):
        transport.start_server(server=_Nobody())
        transport.join(_LONGEST_SECONDS)
    transport.close()


async def serve(address: str, port: int, key: paramiko.PKey) -> None:
    """Serve SSH at one address until cancelled; each conversation runs in a thread of its own."""
    # A scanner that hangs up early is this server's daily bread, not an error to print.
    logging.getLogger("paramiko").setLevel(logging.CRITICAL)
    loop = asyncio.get_running_loop()
    with socket.create_server((address, port)) as listener:
        listener.setblocking(False)
        while True:
            connection, _peer = await loop.sock_accept(listener)
            connection.setblocking(True)
            loop.run_in_executor(None, _converse, connection, key)


async def serve_console(address: str, port: int) -> None:
    """A login prompt in clear text, until cancelled."""

    async def prompt(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            writer.write(b"relay-a login: ")
            await writer.drain()
        writer.close()

    async with await asyncio.start_server(prompt, address, port) as server:
        await server.serve_forever()
