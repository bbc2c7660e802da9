"""A management page behind TLS: enough of a web server to be examined."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import warnings
from pathlib import Path

from verify.laboratory.authority import Credential

_PAGE = b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 3\r\nConnection: close\r\n\r\nok\n"


def context(credential: Credential, folder: Path, *, old_versions: bool) -> ssl.SSLContext:
    """A server context; with ``old_versions`` it still accepts TLS 1.0, as RFC 8996 forbids."""
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    if old_versions:
        # A library of today refuses TLS 1.0 unless its security level is lowered too.
        made.set_ciphers("DEFAULT:@SECLEVEL=0")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            made.minimum_version = ssl.TLSVersion.TLSv1
    chain, key = folder / "chain.pem", folder / "key.pem"
    chain.write_bytes(credential.chain_pem)
    key.write_bytes(credential.key_pem)
    try:
        made.load_cert_chain(chain, key)
    finally:
        key.unlink()
    return made


async def serve(address: str, port: int, server_context: ssl.SSLContext) -> None:
    """Serve one page at one address until cancelled."""

    async def conversation(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, ssl.SSLError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            await reader.readuntil(b"\r\n\r\n")
            writer.write(_PAGE)
            await writer.drain()
        writer.close()

    async with await asyncio.start_server(conversation, address, port, ssl=server_context) as server:
        await server.serve_forever()
