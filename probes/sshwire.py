"""The SSH transport as bytes: identification lines, plain packets and the three messages of a first key exchange.

No sockets here.  Every reader is a function of the octets received so far: it returns what it found and how many octets
that took, or None where more must come.  For any octets it does that or raises ``SshWireError``, and nothing else.
Only what comes before encryption is spoken, so there is no cipher and no MAC.
"""

from __future__ import annotations

import functools
import secrets
from dataclasses import dataclass

#: RFC 4253 section 4.2: the longest identification string, CR and LF included.
IDENTIFICATION_LIMIT = 255
#: The most octets read while waiting for an identification string.  RFC 4253 section 4.2 sets no bound on the lines before
#: it; 64 lines of the longest identification are plenty for a notice and little for a flood.  Common practice, no source.
GREETING_LIMIT = 64 * IDENTIFICATION_LIMIT
#: RFC 4253 section 6.1: the longest packet that every implementation must take, with its lengths and padding.
PACKET_LIMIT = 35_000
#: RFC 4251 section 6: an algorithm name has at most 64 characters.
NAME_LIMIT = 64
#: The most names kept of one list; a modern server offers about twenty.  Common practice, no source.
LIST_LIMIT = 200

# Message numbers: RFC 4253 section 12; 30 and 31 are shared by Diffie-Hellman (section 8) and RFC 5656 section 7.1.
MSG_DISCONNECT = 1
MSG_IGNORE = 2
MSG_DEBUG = 4
MSG_KEXINIT = 20
MSG_KEX_INIT = 30
MSG_KEX_REPLY = 31
#: RFC 4253 section 11.1: "by application", the reason of a client that has what it came for.
DISCONNECT_BY_APPLICATION = 11

_COOKIE_OCTETS = 16
#: RFC 4253 section 6: packets are padded to a multiple of eight octets while no cipher is in use, with at least four.
_BLOCK_OCTETS, _PADDING_LEAST = 8, 4
_NAME_LISTS = 10


class SshWireError(ValueError):
    """The peer's octets are not the SSH they should be.  The peer is at fault; the message says how."""


@dataclass(frozen=True, slots=True)
class Greeting:
    """The identification exchange as received: the lines before the identification string, and the string itself.

    ``identification`` is without its line end, as the octets that enter the exchange hash.
    """

    preamble: tuple[bytes, ...]
    identification: bytes

    @property
    def protocol(self) -> str:
        """The protocol version: "2.0", "1.99", "1.5" (RFC 4253 sections 4.2 and 5.1)."""
        return self.identification.split(b"-", 2)[1].decode("ascii", "backslashreplace")

    @property
    def speaks_2(self) -> bool:
        """Whether the server speaks version 2.0; "1.99" says that it does and speaks an older one as well."""
        return self.protocol in ("2.0", "1.99")


@dataclass(frozen=True, slots=True)
class Kexinit:
    """What one side offers: the lists of RFC 4253 section 7.1 in its own order of preference.

    ``guesses`` is first_kex_packet_follows: a packet made on a guess comes right behind.
    """

    kex: tuple[str, ...]
    host_key: tuple[str, ...]
    cipher_in: tuple[str, ...]
    cipher_out: tuple[str, ...]
    mac_in: tuple[str, ...]
    mac_out: tuple[str, ...]
    compression_in: tuple[str, ...]
    compression_out: tuple[str, ...]
    guesses: bool = False


@dataclass(frozen=True, slots=True)
class KexReply:
    """The server's half of a key exchange: its host key, its public value, and its signature over the exchange hash."""

    host_key: bytes
    public: bytes
    signature: bytes


class Reader:
    """Takes SSH data types (RFC 4251 section 5) off the front of some octets.  Every method raises SshWireError."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def octets(self, count: int) -> bytes:
        """Exactly ``count`` octets."""
        piece = self._data[self._at : self._at + count]
        if len(piece) != count:
            raise SshWireError(f"{count} octets announced, {len(piece)} left")
        self._at += count
        return piece

    def boolean(self) -> bool:
        """One octet; anything but zero is true."""
        return self.octets(1) != b"\0"

    def uint32(self) -> int:
        """Four octets, most significant first."""
        return int.from_bytes(self.octets(4), "big")

    def string(self) -> bytes:
        """A length and that many octets."""
        return self.octets(self.uint32())

    def mpint(self) -> int:
        """A whole number of any size, two's complement."""
        return int.from_bytes(self.string(), "big", signed=True)

    def names(self) -> tuple[str, ...]:
        """A comma-separated list of names, cut to ``LIST_LIMIT`` names; a last "…" says that some were cut."""
        return _names(self.string())

    def finish(self) -> None:
        """Insist that nothing is left."""
        if self._at != len(self._data):
            raise SshWireError(f"{len(self._data) - self._at} octets too many")


#: A fleet's servers offer the same lists: each is read and held once.
@functools.lru_cache(maxsize=256)
def _names(text: bytes) -> tuple[str, ...]:
    if not text:
        return ()
    names = text.split(b",", LIST_LIMIT)
    kept = tuple(_name(name) for name in names[:LIST_LIMIT])
    return (*kept, "…") if len(names) > LIST_LIMIT else kept


def _name(octets: bytes) -> str:
    text = octets[: NAME_LIMIT + 1].decode("ascii", "backslashreplace")
    return text if len(text) <= NAME_LIMIT else text[: NAME_LIMIT - 1] + "…"


def put_string(octets: bytes) -> bytes:
    """A string as RFC 4251 section 5 sends it."""
    return len(octets).to_bytes(4, "big") + octets


def put_mpint(number: int) -> bytes:
    """A whole number as RFC 4251 section 5 sends it: the fewest octets of two's complement, none for zero."""
    if number == 0:
        return put_string(b"")
    # For a negative number the sign bit already stands in the octets of the number plus one: -80 hex fits in one octet.
    bits = (number if number > 0 else number + 1).bit_length()
    return put_string(number.to_bytes(bits // 8 + 1, "big", signed=True))


def put_names(names: tuple[str, ...]) -> bytes:
    """A name-list as RFC 4251 section 5 sends it."""
    return put_string(",".join(names).encode("ascii", "replace"))


def read_greeting(received: bytes) -> tuple[Greeting, int] | None:
    """The identification string at the front of ``received``, with the lines before it (RFC 4253 section 4.2).

    Raises SshWireError when ``GREETING_LIMIT`` octets hold none.  A string that is too long or holds NUL is taken as it
    is, for a server that is wrong in this alone can still be talked to; whoever judges sees it.
    """
    preamble: list[bytes] = []
    at = 0
    while True:
        end = received.find(b"\n", at, GREETING_LIMIT)
        if end < 0:
            break
        # RFC 4253 section 5.1: old servers end the line with LF alone.
        line = received[at:end].removesuffix(b"\r")
        at = end + 1
        if line.startswith(b"SSH-"):
            if line.count(b"-") < 2:
                raise SshWireError("an identification string without a software version")
            return Greeting(tuple(preamble), line), at
        preamble.append(line)
    if len(received) >= GREETING_LIMIT:
        raise SshWireError(f"no identification string in the first {GREETING_LIMIT} octets")
    return None


def lines_of(received: bytes) -> tuple[bytes, ...]:
    """What was said instead of an identification string, line by line, a line without end included."""
    text = received[:GREETING_LIMIT].removesuffix(b"\n")
    return tuple(line.removesuffix(b"\r") for line in text.split(b"\n")) if received else ()


def read_packet(received: bytes) -> tuple[bytes, int] | None:
    """The payload of the plain packet at the front of ``received`` (RFC 4253 section 6).  Raises SshWireError."""
    if len(received) < 4:
        return None
    length = int.from_bytes(received[:4], "big")
    if not 2 <= length <= PACKET_LIMIT - 4:
        raise SshWireError(f"a packet of {length} octets announced; 2 to {PACKET_LIMIT - 4} are possible")
    if len(received) < 4 + length:
        return None
    padding = received[4]
    if padding > length - 2:
        raise SshWireError(f"a packet of {length} octets with {padding} octets of padding leaves no message")
    return received[5 : 4 + length - padding], 4 + length


def make_packet(payload: bytes) -> bytes:
    """``payload`` as a plain packet (RFC 4253 section 6)."""
    padding = -(5 + len(payload)) % _BLOCK_OCTETS
    if padding < _PADDING_LEAST:
        padding += _BLOCK_OCTETS
    return (1 + len(payload) + padding).to_bytes(4, "big") + bytes((padding,)) + payload + secrets.token_bytes(padding)


def message_number(payload: bytes) -> int:
    """The number that says what a payload is.  Raises SshWireError where the payload is empty."""
    return Reader(payload).octets(1)[0]


def _message(payload: bytes, number: int, what: str) -> Reader:
    reader = Reader(payload)
    got = reader.octets(1)[0]
    if got != number:
        raise SshWireError(f"message {got} where {what} ({number}) belongs")
    return reader


def read_kexinit(payload: bytes) -> Kexinit:
    """The lists of an SSH_MSG_KEXINIT (RFC 4253 section 7.1).  Raises SshWireError."""
    reader = _message(payload, MSG_KEXINIT, "the offer of algorithms")
    reader.octets(_COOKIE_OCTETS)
    kex, host_key, cipher_in, cipher_out, mac_in, mac_out, zip_in, zip_out, _lang_in, _lang_out = (
        reader.names() for _ in range(_NAME_LISTS))
    guesses = reader.boolean()
    reader.uint32()
    return Kexinit(kex, host_key, cipher_in, cipher_out, mac_in, mac_out, zip_in, zip_out, guesses)


def make_kexinit(offer: Kexinit) -> bytes:
    """An SSH_MSG_KEXINIT with a fresh cookie and no languages (RFC 4253 section 7.1)."""
    lists = (offer.kex, offer.host_key, offer.cipher_in, offer.cipher_out, offer.mac_in, offer.mac_out,
             offer.compression_in, offer.compression_out, (), ())
    return b"".join((bytes((MSG_KEXINIT,)), secrets.token_bytes(_COOKIE_OCTETS), *map(put_names, lists),
                     bytes((offer.guesses,)), bytes(4)))


def make_kex_init(public: bytes) -> bytes:
    """The client's half of a key exchange (RFC 4253 section 8, RFC 5656 section 4, RFC 8731 section 3)."""
    return bytes((MSG_KEX_INIT,)) + put_string(public)


def read_kex_reply(payload: bytes) -> KexReply:
    """The server's half of a key exchange (the same sections).  Raises SshWireError."""
    reader = _message(payload, MSG_KEX_REPLY, "the server's half of the key exchange")
    reply = KexReply(host_key=reader.string(), public=reader.string(), signature=reader.string())
    reader.finish()
    return reply


def make_disconnect(description: str) -> bytes:
    """A polite good-bye (RFC 4253 section 11.1).  ``description`` is cut to what a log line holds and to plain text."""
    text = "".join(char for char in description[:200] if char.isascii() and char.isprintable())
    return b"".join((bytes((MSG_DISCONNECT,)), DISCONNECT_BY_APPLICATION.to_bytes(4, "big"), put_string(text.encode()),
                     put_string(b"")))


def read_disconnect(payload: bytes) -> tuple[int, str]:
    """The reason code and the words of an SSH_MSG_DISCONNECT (RFC 4253 section 11.1).  Raises SshWireError."""
    reader = _message(payload, MSG_DISCONNECT, "a good-bye")
    return reader.uint32(), reader.string().decode("utf-8", "backslashreplace")
