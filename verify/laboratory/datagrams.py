"""The loop that every datagram server of the laboratory runs."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable

_LONGEST_DATAGRAM = 65535


async def serve_datagrams(address: str, port: int, answer: Callable[[bytes], bytes | None]) -> None:
    """Answer datagrams at one address until cancelled; None from ``answer`` is silence."""
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.bind((address, port))
        while True:
            packet, peer = await loop.sock_recvfrom(sock, _LONGEST_DATAGRAM)
            reply = answer(packet)
            if reply is not None:
                await loop.sock_sendto(sock, reply, peer)
