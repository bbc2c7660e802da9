"""A host with a moved clock, as a process of its own: HTTP servers that stamp Date in several ways, and ICMP time stamps.

Run it with a JSON list of faces on the command line; it prints "ready" and ends when its standard input does.  It looks
at the machine's clock and adds each face's offset, so that the truth is known to the microsecond.
"""

from __future__ import annotations

import asyncio
import json
import socket
import struct
import sys
import time
from email.utils import formatdate
from typing import Any

#: Linux: every frame (linux/if_ether.h), and frames that this machine sends itself (linux/if_packet.h).
_EVERY_PROTOCOL, _OUTGOING = 0x0003, 4
_MILLISECONDS_A_DAY = 86_400_000


class DateServer:
    """Answers every request with a Date.

    ``style`` is "fresh" (looks for every answer), "naps" (a loop that looks after ten naps of a tenth of a second, late by
    whatever each nap was late), or "lazy" (looks when the last look is a second old).
    """

    def __init__(self, offset_seconds: float, style: str, phase_seconds: float) -> None:
        self._offset, self._style, self._phase = offset_seconds, style, phase_seconds
        self._looked = self._now()

    def _now(self) -> float:
        return time.time() + self._offset

    async def nap(self) -> None:
        await asyncio.sleep(self._phase)
        while True:
            self._looked = self._now()
            for _ in range(10):
                await asyncio.sleep(0.1)

    async def serve(self, address: str, port: int) -> None:
        server = await asyncio.start_server(self._converse, address, port)
        if self._style == "naps":
            await self.nap()
        await server.serve_forever()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                await reader.readuntil(b"\r\n\r\n")
                if self._style == "fresh" or (self._style == "lazy" and self._now() - self._looked >= 1.0):
                    self._looked = self._now()
                writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nDate: "
                             + formatdate(int(self._looked // 1), usegmt=True).encode() + b"\r\n\r\n")
        except (asyncio.IncompleteReadError, ConnectionError):
            writer.close()


class StampAnswerer:
    """Answers ICMP time stamp requests in the kernel's place, which a packet filter keeps from doing so itself."""

    def __init__(self, offsets: dict[str, tuple[float, str]]) -> None:
        self._offsets = offsets
        self._frames = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(_EVERY_PROTOCOL))
        asyncio.get_running_loop().add_reader(self._frames.fileno(), self._readable)

    def _readable(self) -> None:
        packet, where = self._frames.recvfrom(2048)
        arrived = time.time()
        if where[2] == _OUTGOING or packet[:1] != b"\x45" or packet[9] != socket.IPPROTO_ICMP or packet[20] != 13:
            return
        asker, asked = socket.inet_ntoa(packet[12:16]), socket.inet_ntoa(packet[16:20])
        if asked not in self._offsets:
            return
        offset, order = self._offsets[asked]
        receive, transmit = (int((moment + offset) * 1000) % _MILLISECONDS_A_DAY for moment in (arrived, time.time()))
        body = packet[24:32] + struct.pack(f"{order}II", receive, transmit)
        total = sum(struct.unpack("!8H", body)) + (14 << 8)
        while total > 0xFFFF:
            total = (total & 0xFFFF) + (total >> 16)
        self._answer(asked, asker, struct.pack("!BBH", 14, 0, ~total & 0xFFFF) + body)

    def _answer(self, asked: str, asker: str, message: bytes) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as out:
            out.bind((asked, 0))
            out.sendto(message, (asker, 0))


async def main(faces: list[dict[str, Any]]) -> None:
    """Serve until standard input ends."""
    tasks = []
    stamps = {face["address"]: (face["offset"], face.get("order", "!")) for face in faces if face["style"] == "icmp"}
    answerer = StampAnswerer(stamps) if stamps else None
    for face in faces:
        if face["style"] != "icmp":
            server = DateServer(face["offset"], face["style"], face.get("phase", 0.0))
            tasks.append(asyncio.create_task(server.serve(face["address"], face["port"])))
    await asyncio.sleep(0.2)
    print("ready", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    for task in tasks:
        task.cancel()
    del answerer


if __name__ == "__main__":
    asyncio.run(main(json.loads(sys.argv[1])))
