"""NTP servers with chosen faults: a clock that is ahead, a server that has chosen no source."""

from __future__ import annotations

import struct
import time

from verify.laboratory.datagrams import serve_datagrams

#: Seconds from 1900 to 1970 (RFC 868; RFC 5905 Figure 4).
_ERA_TO_UNIX = 2_208_988_800
_HEADER = struct.Struct("!BBbbIII8s8s8s8s")
_CLIENT, _SERVER, _VERSION = 3, 4, 4
_PRECISION = -20


def _stamp(unix_seconds: float) -> bytes:
    whole, fraction = divmod(unix_seconds + _ERA_TO_UNIX, 1)
    return struct.pack("!II", int(whole) & 0xFFFFFFFF, int(fraction * (1 << 32)))


def answer(packet: bytes, received: float, *, ahead_seconds: float, synchronised: bool) -> bytes | None:
    """The server's answer (RFC 5905 section 7.3); None for a packet that is no client's question.

    A server without a source says leap 3 and stratum 0: stratum 16 travels as 0.
    """
    if len(packet) < _HEADER.size or packet[0] & 7 != _CLIENT:
        return None
    leap, stratum = (0, 2) if synchronised else (3, 0)
    reference = _stamp(received + ahead_seconds - 17) if synchronised else bytes(8)
    root = int(0.004 * 65536) if synchronised else 65536
    identifier = 0x7F1402FE if synchronised else 0
    return _HEADER.pack(
        leap << 6 | _VERSION << 3 | _SERVER, stratum, 6, _PRECISION, root, root, identifier, reference, packet[40:48],
        _stamp(received + ahead_seconds), _stamp(time.time() + ahead_seconds))


async def serve(address: str, port: int, *, ahead_seconds: float = 0.0, synchronised: bool = True) -> None:
    """Serve time at one address until cancelled."""
    await serve_datagrams(address, port, lambda packet: answer(
        packet, time.time(), ahead_seconds=ahead_seconds, synchronised=synchronised))
