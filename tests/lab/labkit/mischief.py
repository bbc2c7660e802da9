"""Servers of our own that misbehave in one way each, run as ``python mischief.py KIND ADDRESS PORT`` on a node.

Each is small and wrong on purpose; where it speaks a protocol at all it packs the octets by hand, so that nothing of the
code under test helps to build what that code must withstand.
"""

from __future__ import annotations

import contextlib
import socket
import socketserver
import struct
import sys
import threading
import time
from collections.abc import Callable

#: Seconds from 1900 to 1970 (RFC 5905 Figure 4).
ERA_TO_UNIX = 2_208_988_800
MEGABYTE = 1_000_000
#: How long a server that says nothing holds a connection before it gives up, in seconds: longer than any run waits.
_HOLD_SECONDS = 120.0


# --- name servers (RFC 1035 section 4.1)


def garbage(_question: bytes) -> bytes:
    return b"\xff" * 61


def other_id(question: bytes) -> bytes:
    return _answer(bytes([question[0] ^ 0x55, question[1]]) + question[2:])


def other_question(question: bytes) -> bytes:
    """The first label of the question with its first letter changed, under the right id."""
    return _answer(question[:13] + (b"y" if question[13:14] == b"x" else b"x") + question[14:])


def endless_name(question: bytes) -> bytes:
    """An answer whose owner name is a compression pointer to itself (RFC 1035 section 4.1.4)."""
    end = _end_of_question(question)
    record = struct.pack("!HHHIH4s", 0xC000 | end, 1, 1, 60, 4, bytes([192, 0, 2, 99]))
    return question[:2] + struct.pack("!HHHHH", 0x8400, 1, 1, 0, 0) + question[12:end] + record


def _answer(question: bytes) -> bytes:
    """One A record, 192.0.2.99, for whatever was asked."""
    end = _end_of_question(question)
    record = struct.pack("!HHHIH4s", 0xC00C, 1, 1, 60, 4, bytes([192, 0, 2, 99]))
    return question[:2] + struct.pack("!HHHHH", 0x8400, 1, 1, 0, 0) + question[12:end] + record


def _end_of_question(question: bytes) -> int:
    place = 12
    while question[place]:
        place += question[place] + 1
    return place + 5


# --- time servers (RFC 5905 section 7.3)


def wrong_origin(packet: bytes) -> bytes:
    """A sound answer to a question that nobody asked."""
    return _time(origin=bytes([packet[40] ^ 0xFF]) + packet[41:48])


def kiss(packet: bytes) -> bytes:
    """A kiss-o'-death: stratum 0, and DENY in the place of the reference identifier (RFC 5905 section 7.4)."""
    return _time(origin=packet[40:48], leap=3, stratum=0, reference=b"DENY")


def _time(*, origin: bytes, leap: int = 0, stratum: int = 2, reference: bytes = b"\xc0\x00\x02\x01") -> bytes:
    now = time.time() + ERA_TO_UNIX
    stamp = struct.pack("!II", int(now) & 0xFFFFFFFF, int(now % 1 * (1 << 32)))
    return struct.pack("!BBbbII4s", leap << 6 | 4 << 3 | 4, stratum, 6, -20, 64, 64, reference) + stamp + origin + stamp + stamp


# --- ports that take a connection


def plain_text(peer: socket.socket) -> None:
    """A web server that was never told to speak TLS (RFC 9110)."""
    peer.recv(4096)
    peer.sendall(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")


def reset_in_handshake(peer: socket.socket) -> None:
    peer.recv(4096)
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def broken_certificate(peer: socket.socket) -> None:
    """A TLS 1.2 server (RFC 5246 section 7.4) whose certificate is forty octets that are no DER."""
    peer.recv(4096)
    hello = _handshake(2, b"\x03\x03" + bytes(range(32)) + b"\x00" + b"\xc0\x2b" + b"\x00")
    certificate = b"\x30\x26" + b"\x5a" * 38
    chain = _vector(_vector(certificate, 3), 3)
    peer.sendall(_record(hello) + _record(_handshake(11, chain)) + _record(_handshake(14, b"")))
    peer.recv(4096)


def flood(peer: socket.socket) -> None:
    """A megabyte in the place of an identification string, with no line end in it (RFC 4253 section 4.2 allows 255)."""
    peer.sendall(b"SSH-2.0-" + b"A" * MEGABYTE)


def flood_of_lines(peer: socket.socket) -> None:
    """A megabyte of lines before the identification string."""
    peer.sendall(b"\x1b[2Jwelcome to the <b>dome</b>\r\n" * (MEGABYTE // 30) + b"SSH-2.0-late\r\n")


def silence(peer: socket.socket) -> None:
    """Takes the connection and never says a word."""
    peer.settimeout(_HOLD_SECONDS)
    while peer.recv(4096):
        pass


def _record(body: bytes) -> bytes:
    return b"\x16\x03\x03" + _vector(body, 2)


def _handshake(kind: int, body: bytes) -> bytes:
    return bytes([kind]) + _vector(body, 3)


def _vector(body: bytes, octets: int) -> bytes:
    return len(body).to_bytes(octets, "big") + body


# --- serving them


DATAGRAMS: dict[str, Callable[[bytes], bytes]] = {
    "names-garbage": garbage, "names-other-id": other_id, "names-other-question": other_question,
    "names-endless-name": endless_name, "time-wrong-origin": wrong_origin, "time-kiss": kiss,
    "time-garbage": garbage,
}
STREAMS: dict[str, Callable[[socket.socket], None]] = {
    "tls-plain-text": plain_text, "tls-reset": reset_in_handshake, "tls-broken-certificate": broken_certificate,
    "ssh-flood": flood, "ssh-flood-of-lines": flood_of_lines, "ssh-silence": silence, "tls-silence": silence,
    "tls-flood": flood, "console": silence,
}


def serve_datagrams(answer: Callable[[bytes], bytes], address: str, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind((address, port))
        while True:
            packet, peer = server.recvfrom(4096)
            server.sendto(answer(packet), peer)


def serve_streams(talk: Callable[[socket.socket], None], address: str, port: int) -> None:
    class Talk(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            with contextlib.suppress(OSError):
                talk(self.request)

    class Server(socketserver.ThreadingTCPServer):
        allow_reuse_address = True
        daemon_threads = True

        def shutdown_request(self, request: socket.socket) -> None:  # type: ignore[override]
            request.close()

    with Server((address, port), Talk) as server:
        server.serve_forever()


def names_over_tcp(answer: Callable[[bytes], bytes]) -> Callable[[socket.socket], None]:
    """The same answer behind the length that TCP wants (RFC 1035 section 4.2.2)."""

    def talk(peer: socket.socket) -> None:
        length = int.from_bytes(peer.recv(2, socket.MSG_WAITALL), "big")
        peer.sendall(_vector(answer(peer.recv(length, socket.MSG_WAITALL)), 2))

    return talk


def main(kind: str, address: str, port: int) -> None:
    if kind in STREAMS:
        serve_streams(STREAMS[kind], address, port)
        return
    if kind.startswith("names-"):
        threading.Thread(target=serve_streams, args=(names_over_tcp(DATAGRAMS[kind]), address, port), daemon=True).start()
    serve_datagrams(DATAGRAMS[kind], address, port)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
