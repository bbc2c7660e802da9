"""A fleet on the loopback range: lean servers for names, time and SSH in one process, TLS by nginx in another, wildcard sockets.

Host number n is h<n>.obs.example.net at 127.30.(n // 250).(n % 250 + 1).  Lean, so that the client is what is measured; the
servers' CPU is reported apart.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import hashlib
import multiprocessing
import os
import resource
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric import ed25519, x25519

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from probes import sshwire
from verify.laboratory.authority import Validity, intermediate, leaf, root

#: Where the fleet serves what; nobody listens on the last.
PORTS = {"names": 5300, "time": 12300, "shell": 2200, "web": 4430, "console": 2300}
NAME_SERVERS = ("127.30.255.53", "127.30.255.54")
TIME_SERVERS = tuple(f"127.30.255.{last}" for last in (61, 62, 63, 64))
#: How late a slow host's answers over SSH and to NTP are, in seconds.
SLOW_SSH_SECONDS, SLOW_TIME_SECONDS = 1.0, 0.02
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
        reverse_zones = [f"{third}.30.127.in-addr.arpa" for third in range(hosts // 250 + 1)]
        # The parent last, so that a no comes from the zone that the name is in.
        self._zones = dict.fromkeys(map(_encoded, (DOMAIN, *reverse_zones, "30.127.in-addr.arpa")))
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


def _serve_time(sock: socket.socket, slow: Collection[str]) -> None:
    """Answer every NTP question that is waiting, from the address it was sent to."""
    loop = asyncio.get_running_loop()
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
                local = value[4:8]
        if slow and socket.inet_ntoa(local) in slow:
            loop.call_later(SLOW_TIME_SECONDS, _tell_time, sock, data, peer, received_ns, local)
        else:
            _tell_time(sock, data, peer, received_ns, local)


def _tell_time(sock: socket.socket, question: bytes, peer: tuple[str, int], received_ns: int, local: bytes) -> None:
    reply = struct.pack("!BBbbIII", 0x24, 2, 6, -20, 100, 100, 0x7F1402FE) + _stamp(received_ns - 17 * 10**9) + question[40:48]
    reply += _stamp(received_ns) + _stamp(time.time_ns())
    sock.sendmsg([reply], [(socket.IPPROTO_IP, _IP_PKTINFO, struct.pack("=I4s4s", 0, local, bytes(4)))], 0, peer)


def _serve_names(sock: socket.socket, names: Names) -> None:
    while True:
        try:
            data, peer = sock.recvfrom(512)
        except BlockingIOError:
            return
        sock.sendto(names.answer(data), peer)


class Shell:
    """An SSH server for one key exchange; each host has a key of its own."""

    def __init__(self, slow: Collection[str]) -> None:
        self._seed, self._slow = os.urandom(16), slow
        ciphers = ("aes128-gcm@openssh.com", "aes128-ctr")
        offer = (("curve25519-sha256", "curve25519-sha256@libssh.org"), ("ssh-ed25519",), ciphers, ciphers,
                 ("hmac-sha2-256",), ("hmac-sha2-256",), ("none",), ("none",), (), ())
        self._kexinit = b"\x14" + bytes(16) + b"".join(sshwire.put_names(names) for names in offer) + bytes(5)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Hold one conversation."""
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            if writer.get_extra_info("sockname")[0] in self._slow:
                await asyncio.sleep(SLOW_SSH_SECONDS)
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


def _certify(hosts: int, folder: Path) -> None:
    """A key and a certificate for each host, in a file by its address, from below the authority in anchor.pem."""
    now = datetime.datetime.now(datetime.UTC)
    authority = root("Tidewater Observatory Root", Validity.around(now, days_before=100, days_after=3000))
    issuer = intermediate(authority, "Tidewater Observatory Hosts", Validity.around(now, days_before=50, days_after=1000))
    (folder / "anchor.pem").write_bytes(authority.pem)
    for number in range(hosts):
        credential = leaf(issuer, (f"h{number}.{DOMAIN}", address_of(number)), Validity.around(now, days_after=300))
        (folder / f"{address_of(number)}.pem").write_bytes(credential.chain_pem + credential.key_pem)


def _web_command(hosts: int, folder: Path) -> list[str]:
    """Nginx for TLS: a certificate for each host, loaded before the first handshake and chosen by the name that is asked for.

    Who asks for another name is shown the certificate of the host at that address.
    """
    temporary = "".join(f"{kind}_temp_path {folder}/{kind}; " for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))
    listen = f"listen 0.0.0.0:{PORTS['web']} ssl"

    def server(said: str, address: str) -> str:
        file = f"{folder}/{address}.pem"
        return f"  server {{ {said}; ssl_certificate {file}; ssl_certificate_key {file}; return 404; }}\n"

    by_name = "".join(server(f"{listen}; server_name h{number}.{DOMAIN}", address_of(number)) for number in range(hosts))
    otherwise = server(f"{listen} backlog=4096 default_server", "$server_addr")
    (folder / "nginx.conf").write_text(f"""\
daemon off; master_process off; user root; pid {folder}/nginx.pid; error_log /dev/null crit; worker_rlimit_nofile 65536;
events {{ worker_connections 32768; multi_accept on; }}
http {{
  access_log off; {temporary}
  ssl_protocols TLSv1.2 TLSv1.3; server_names_hash_max_size 65536; server_names_hash_bucket_size 128;
{otherwise}{by_name}}}
""", encoding="utf-8")
    return ["nginx", "-c", str(folder / "nginx.conf"), "-e", "/dev/null"]


@contextlib.contextmanager
def serving(hosts: int, folder: Path, slow: Collection[str] = ()) -> Iterator[Callable[[], float]]:
    """The fleet, up within the block; gives a function that says how many seconds of CPU its processes have used so far."""
    _certify(hosts, folder)
    server = multiprocessing.get_context("fork").Process(target=_serve, args=(hosts, slow), daemon=True)
    with subprocess.Popen(_web_command(hosts, folder)) as web:
        server.start()
        try:
            _wait_for(PORTS["web"])
            _wait_for(PORTS["shell"])
            yield lambda: sum(_cpu_seconds(pid) for pid in (web.pid, server.pid))
        finally:
            web.terminate()
            server.terminate()
            server.join(5)


def _cpu_seconds(pid: int | None) -> float:
    """User and system time of a running process: fields 14 and 15 of proc(5)'s stat, counted behind the name in brackets."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _wait_for(port: int) -> None:
    # Ten thousand certificates take nginx ten seconds.
    for _ in range(1200):
        with socket.socket() as sock:
            if sock.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise SystemExit("the fleet's servers did not start")


def _serve(hosts: int, slow: Collection[str]) -> None:
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    asyncio.run(_serve_all(hosts, slow))


async def _serve_all(hosts: int, slow: Collection[str]) -> None:
    """Serve names, time and SSH until ended."""
    loop = asyncio.get_running_loop()
    names, shell = Names(hosts), Shell(slow)

    async def stream_names(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                length = int.from_bytes(await reader.readexactly(2), "big")
                reply = names.answer(await reader.readexactly(length))
                writer.write(len(reply).to_bytes(2, "big") + reply)
        writer.close()

    for address in NAME_SERVERS:
        sock = _datagrams((address, PORTS["names"]))
        loop.add_reader(sock, _serve_names, sock, names)
        await asyncio.start_server(stream_names, address, PORTS["names"])
    sock = _datagrams(("", PORTS["time"]))
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.IPPROTO_IP, _IP_PKTINFO, 1)
    loop.add_reader(sock, _serve_time, sock, slow)
    await asyncio.start_server(shell.serve, "0.0.0.0", PORTS["shell"], backlog=4096)
    await loop.create_future()


def _datagrams(where: tuple[str, int]) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    sock.setblocking(False)
    sock.bind(where)
    return sock
