"""A fleet on the loopback range: lean servers for names, time, TLS and SSH, one process, wildcard sockets.

Host number n is h<n>.obs.example.net at 127.30.(n // 250).(n % 250 + 1).  Lean, so that the client is what is measured; the
servers' CPU is reported apart.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import hashlib
import os
import socket
import ssl
import struct
import sys
import tempfile
import time
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric import ed25519, x25519

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from probes import sshwire
from verify.laboratory.authority import Validity, leaf, root

DOMAIN = "obs.example.net"
_SO_TIMESTAMPNS, _IP_PKTINFO = 35, 8
_UNIX_IN_NTP = 2_208_988_800
_ID_STRING = b"SSH-2.0-tidewater_1.0"


def address_of(number: int) -> str:
    """The address of one host."""
    return f"127.30.{number // 250}.{number % 250 + 1}"


def _encoded(name: str) -> bytes:
    return b"".join(bytes([len(label)]) + label.encode() for label in name.split(".")) + b"\0"


class Names:
    """Both name servers: the same zone, answers put together from octets."""

    def __init__(self, hosts: int) -> None:
        self._answers: dict[bytes, bytes] = {}
        for number in range(hosts):
            address, fqdn = address_of(number), f"h{number}.{DOMAIN}"
            reverse = ".".join(reversed(address.split("."))) + ".in-addr.arpa"
            self._answers[_encoded(fqdn) + b"\0\1\0\1"] = b"\xc0\x0c\0\1\0\1\0\0\x0e\x10\0\4" + socket.inet_aton(address)
            target = _encoded(fqdn)
            self._answers[_encoded(reverse) + b"\0\x0c\0\1"] = (
                b"\xc0\x0c\0\x0c\0\1\0\0\x0e\x10" + len(target).to_bytes(2, "big") + target)
        numbers = struct.pack("!IIIII", 2026110201, 7200, 900, 1209600, 3600)
        soa = _encoded(f"ns1.{DOMAIN}") + _encoded(f"hostmaster.{DOMAIN}") + numbers
        self._soa = b"\0\6\0\1\0\0\x0e\x10" + len(soa).to_bytes(2, "big") + soa
        self._zones = {_encoded(DOMAIN)} | {_encoded(f"{third}.30.127.in-addr.arpa") for third in range(hosts // 250 + 1)}
        self._names = {key[:-4] for key in self._answers}

    def answer(self, query: bytes) -> bytes:
        """The answer to one query: the record, or a no with the zone's SOA."""
        end = query.index(b"\0", 12) + 5
        question = query[12:end]
        name = question[:-4].lower()
        record = self._answers.get(name + question[-4:])
        if question[-4:-2] == b"\0\6" and name in self._zones:
            record = b"\xc0\x0c" + self._soa
        if record:
            return query[:2] + b"\x85\0\0\1\0\1\0\0\0\0" + question + record
        rcode = b"\0" if name in self._names else b"\3"
        zone = _encoded(DOMAIN) if name.endswith(_encoded(DOMAIN)) else next((z for z in self._zones if name.endswith(z)), b"\0")
        return query[:2] + b"\x85" + rcode + b"\0\1\0\0\0\1\0\0" + question + zone + self._soa


def _stamp(unix_ns: int) -> bytes:
    seconds, rest = divmod(unix_ns, 1_000_000_000)
    return struct.pack("!II", (seconds + _UNIX_IN_NTP) % 2**32, (rest << 32) // 1_000_000_000)


def _serve_time(sock: socket.socket) -> None:
    """Answer every NTP question that is waiting, from the address it was sent to."""
    while True:
        try:
            data, ancillary, _flags, peer = sock.recvmsg(512, 256)
        except BlockingIOError:
            return
        received_ns, local = time.time_ns(), b""
        for level, kind, value in ancillary:
            if (level, kind) == (socket.SOL_SOCKET, _SO_TIMESTAMPNS):
                seconds, nanoseconds = struct.unpack_from("qq", value)
                received_ns = seconds * 1_000_000_000 + nanoseconds
            elif (level, kind) == (socket.IPPROTO_IP, _IP_PKTINFO):
                local = struct.pack("=I4s4s", 0, value[4:8], bytes(4))
        reply = struct.pack("!BBbbIII", 0x24, 2, 6, -20, 100, 100, 0x7F1402FE) + _stamp(received_ns - 17 * 10**9) + data[40:48]
        reply += _stamp(received_ns) + _stamp(time.time_ns())
        sock.sendmsg([reply], [(socket.IPPROTO_IP, _IP_PKTINFO, local)], 0, peer)


def _serve_names(sock: socket.socket, names: Names) -> None:
    while True:
        try:
            data, peer = sock.recvfrom(512)
        except BlockingIOError:
            return
        sock.sendto(names.answer(data), peer)


class Shell:
    """An SSH server for one key exchange; each host has a key of its own."""

    def __init__(self) -> None:
        self._seed = os.urandom(16)
        ciphers = ("aes128-gcm@openssh.com", "aes128-ctr")
        offer = (("curve25519-sha256", "curve25519-sha256@libssh.org"), ("ssh-ed25519",), ciphers, ciphers,
                 ("hmac-sha2-256",), ("hmac-sha2-256",), ("none",), ("none",), (), ())
        self._kexinit = b"\x14" + bytes(16) + b"".join(sshwire.put_names(names) for names in offer) + bytes(5)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Hold one conversation."""
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            writer.write(_ID_STRING + b"\r\n" + sshwire.make_packet(self._kexinit))
            theirs = (await reader.readline()).rstrip(b"\r\n")
            offered = await self._packet(reader)
            public = sshwire.Reader((await self._packet(reader))[1:]).string()
            writer.write(sshwire.make_packet(self._reply(writer.get_extra_info("sockname")[0], theirs, offered, public)))
            await reader.read(256)
        writer.close()

    async def _packet(self, reader: asyncio.StreamReader) -> bytes:
        length = int.from_bytes(await reader.readexactly(4), "big")
        body = await reader.readexactly(length)
        return body[1 : length - body[0]]

    def _reply(self, address: str, theirs: bytes, offered: bytes, public: bytes) -> bytes:
        key = ed25519.Ed25519PrivateKey.from_private_bytes(hashlib.sha256(self._seed + address.encode()).digest())
        put = sshwire.put_string
        blob = put(b"ssh-ed25519") + put(key.public_key().public_bytes_raw())
        ephemeral = x25519.X25519PrivateKey.generate()
        secret = int.from_bytes(ephemeral.exchange(x25519.X25519PublicKey.from_public_bytes(public)), "big")
        own = ephemeral.public_key().public_bytes_raw()
        digest = hashlib.sha256(put(theirs) + put(_ID_STRING) + put(offered) + put(self._kexinit) + put(blob) + put(public)
                                + put(own) + sshwire.put_mpint(secret)).digest()
        return b"\x1f" + put(blob) + put(own) + put(put(b"ssh-ed25519") + put(key.sign(digest)))


def tls_context(anchor_file: Path, hosts: int) -> ssl.SSLContext:
    """One certificate that names every host, as a site's shared one would; its authority is written to ``anchor_file``."""
    now = datetime.datetime.now(datetime.UTC)
    authority = root("Tidewater Observatory Root", Validity.around(now, days_before=100, days_after=3000))
    anchor_file.write_bytes(authority.pem)
    credential = leaf(authority, (f"*.{DOMAIN}",), Validity.around(now, days_after=300))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with tempfile.TemporaryDirectory() as folder:
        chain, key = Path(folder) / "chain.pem", Path(folder) / "key.pem"
        chain.write_bytes(credential.chain_pem)
        key.write_bytes(credential.key_pem)
        context.load_cert_chain(chain, key)
    return context


async def serve(hosts: int, ports: dict[str, int], anchor_file: Path) -> None:
    """Serve the whole fleet until cancelled."""
    loop = asyncio.get_running_loop()
    names, shell = Names(hosts), Shell()

    async def secret(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, ssl.SSLError, OSError):
            await _reader.read(1)
        writer.close()

    async def stream_names(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                length = int.from_bytes(await reader.readexactly(2), "big")
                reply = names.answer(await reader.readexactly(length))
                writer.write(len(reply).to_bytes(2, "big") + reply)
        writer.close()

    for last in (53, 54):
        sock = _datagrams((f"127.30.255.{last}", ports["names"]))
        loop.add_reader(sock, _serve_names, sock, names)
        await asyncio.start_server(stream_names, f"127.30.255.{last}", ports["names"])
    sock = _datagrams(("", ports["time"]))
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.IPPROTO_IP, _IP_PKTINFO, 1)
    loop.add_reader(sock, _serve_time, sock)
    await asyncio.start_server(shell.serve, "0.0.0.0", ports["shell"], backlog=4096)
    await asyncio.start_server(secret, "0.0.0.0", ports["web"], ssl=tls_context(anchor_file, hosts), backlog=4096)
    await loop.create_future()


def _datagrams(where: tuple[str, int]) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    sock.setblocking(False)
    sock.bind(where)
    return sock
