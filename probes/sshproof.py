"""Proof that an SSH server holds its host key: a key exchange, and the signature over its hash.

No sockets here.  The exchange protects nothing, for nothing is sent after it: its only use is that the server signs what
both sides said, so that a copied public key proves nothing and the private one does (RFC 4253 section 8).
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from dataclasses import dataclass
from typing import Protocol

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa, x25519
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

try:
    from cryptography.hazmat.primitives.asymmetric import mlkem
except ImportError:  # an older release of the library
    mlkem = None  # type: ignore[assignment]

from probes.sshwire import KexReply, Reader, SshWireError, put_mpint, put_string
from shared.evidence import SshHostKey

#: RFC 3526 section 3: the prime of the 2048-bit group, number 14; its generator is 2.
GROUP_14_PRIME = int(
    "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74"
    "020BBEA63B139B22514A08798E3404DDEF9519B3CD3A431B302B0A6DF25F1437"
    "4FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B0BFF5CB6F406B7ED"
    "EE386BFB5A899FA5AE9F24117C4B1FE649286651ECE45B3DC2007CB8A163BF05"
    "98DA48361C55D39A69163FA8FD24CF5F83655D23DCA3AD961C62F356208552BB"
    "9ED529077096966D670C354E4ABC9804F1746C08CA18217C32905E462E36CE3B"
    "E39E772C180E86039B2783A2EC07A28FB5C55DF06F4C52C9DE2BCBF695581718"
    "3995497CEA956AE515D2261898FA051015728E5A8AACAA68FFFFFFFFFFFFFFFF"
    , 16)
#: RFC 3526 section 5: the prime of the 4096-bit group, number 16; its generator is 2.
GROUP_16_PRIME = int(
    "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74"
    "020BBEA63B139B22514A08798E3404DDEF9519B3CD3A431B302B0A6DF25F1437"
    "4FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B0BFF5CB6F406B7ED"
    "EE386BFB5A899FA5AE9F24117C4B1FE649286651ECE45B3DC2007CB8A163BF05"
    "98DA48361C55D39A69163FA8FD24CF5F83655D23DCA3AD961C62F356208552BB"
    "9ED529077096966D670C354E4ABC9804F1746C08CA18217C32905E462E36CE3B"
    "E39E772C180E86039B2783A2EC07A28FB5C55DF06F4C52C9DE2BCBF695581718"
    "3995497CEA956AE515D2261898FA051015728E5A8AAAC42DAD33170D04507A33"
    "A85521ABDF1CBA64ECFB850458DBEF0A8AEA71575D060C7DB3970F85A6E1E4C7"
    "ABF5AE8CDB0933D71E8C94E04A25619DCEE3D2261AD2EE6BF12FFA06D98A0864"
    "D87602733EC86A64521F2B18177B200CBBE117577A615D6C770988C0BAD946E2"
    "08E24FA074E5AB3143DB5BFCE0FD108E4B82D120A92108011A723C12A787E6D7"
    "88719A10BDBA5B2699C327186AF4E23C1A946834B6150BDA2583E9CA2AD44CE8"
    "DBBBC2DB04DE8EF92E8EFC141FBECAA6287C59474E6BC05D99B2964FA090C3A2"
    "233BA186515BE7ED1F612970CEE2D7AFB81BDD762170481CD0069127D5B05AA9"
    "93B4EA988D8FDDC186FFB7DC90A6C08F4DF435C934063199FFFFFFFFFFFFFFFF"
    , 16)
#: RFC 4253 section 8 wants the exponent anywhere below the group's order; twice the 112 bits that the group is worth
#: (RFC 9142 section 1.2) is as hard to find and far cheaper to use (RFC 7919 section 5.2 says so of its own groups).  The
#: 4096-bit group is worth more, but the secret protects nothing here.
_EXPONENT_BITS = 256

#: The host key types worth asking for and the signatures that prove them, best first.  ``ssh-rsa`` signs with SHA-1 (RFC
#: 8332 section 1): it stands last so that an old server's key can at least be seen, and the offer of it is judged.
KEY_TYPES: dict[str, tuple[str, ...]] = {
    "ssh-ed25519": ("ssh-ed25519",),
    "ecdsa": ("ecdsa-sha2-nistp256", "ecdsa-sha2-nistp384", "ecdsa-sha2-nistp521"),
    "ssh-rsa": ("rsa-sha2-512", "rsa-sha2-256", "ssh-rsa"),
}

_RSA_HASHES: dict[str, hashes.HashAlgorithm] = {
    "rsa-sha2-512": hashes.SHA512(), "rsa-sha2-256": hashes.SHA256(), "ssh-rsa": hashes.SHA1()}  # noqa: S303 -- verified, never made
#: RFC 5656 sections 6.2.1 and 10.1: the curves, and the hash that goes with the size of each.
_CURVES: dict[str, tuple[ec.EllipticCurve, hashes.HashAlgorithm]] = {
    "nistp256": (ec.SECP256R1(), hashes.SHA256()),
    "nistp384": (ec.SECP384R1(), hashes.SHA384()),
    "nistp521": (ec.SECP521R1(), hashes.SHA512()),
}
#: What the cryptography library raises for key material it will not have.
_REFUSED = (ValueError, TypeError, OverflowError, UnsupportedAlgorithm)


class NotHeldError(SshWireError):
    """The signature does not verify: whoever answered does not hold the key it showed."""


class KeyExchange(Protocol):
    """Our half of one key exchange.  ``public`` is its value as the octets of a string or of an mpint."""

    public: bytes

    def agree(self, public: bytes) -> int | bytes:
        """The shared secret with the server's half: the number, or the string, that enters the hash.  Raises SshWireError."""


class Curve25519:
    """curve25519-sha256 (RFC 8731 section 3)."""

    def __init__(self) -> None:
        self._private = x25519.X25519PrivateKey.generate()
        self.public = self._private.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)

    def agree(self, public: bytes) -> int:
        """RFC 8731 section 3.1: the 32 octets are read most significant first; an all-zero secret is refused."""
        try:
            return int.from_bytes(self._private.exchange(x25519.X25519PublicKey.from_public_bytes(public)), "big")
        except _REFUSED as error:
            raise SshWireError("the server's curve25519 value is not usable") from error


class NistP256:
    """ecdh-sha2-nistp256 (RFC 5656 section 4)."""

    curve: ec.EllipticCurve = ec.SECP256R1()

    def __init__(self) -> None:
        self._private = ec.generate_private_key(self.curve)
        self.public = self._private.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)

    def agree(self, public: bytes) -> int:
        """The x coordinate of the shared point; a point off the curve is refused."""
        try:
            theirs = ec.EllipticCurvePublicKey.from_encoded_point(self.curve, public)
            return int.from_bytes(self._private.exchange(ec.ECDH(), theirs), "big")
        except _REFUSED as error:
            raise SshWireError(f"the server's value is not a point on the curve {self.curve.name}") from error


class NistP384(NistP256):
    """ecdh-sha2-nistp384: all that some policies allow."""

    curve = ec.SECP384R1()


class NistP521(NistP256):
    """ecdh-sha2-nistp521."""

    curve = ec.SECP521R1()


class MlKem768Curve25519:
    """mlkem768x25519-sha256 (draft-ietf-sshm-mlkem-hybrid-kex, from memory): ML-KEM's part first, then X25519's."""

    def __init__(self) -> None:
        self._kem = mlkem.MLKEM768PrivateKey.generate()
        self._private = x25519.X25519PrivateKey.generate()
        self.public = self._kem.public_key().public_bytes_raw() + self._private.public_key().public_bytes_raw()

    def agree(self, public: bytes) -> bytes:
        """The digest of both secrets, which enters the hash as a string."""
        try:
            encapsulated = self._kem.decapsulate(public[:-32])
            shared = self._private.exchange(x25519.X25519PublicKey.from_public_bytes(public[-32:]))
        except _REFUSED as error:
            raise SshWireError("the server's mlkem768x25519 value is not usable") from error
        return hashlib.sha256(encapsulated + shared).digest()


def _has_mlkem() -> bool:
    """Whether the cryptography library, and the one beneath it, are young enough for ML-KEM (FIPS 203)."""
    try:
        return mlkem is not None and bool(MlKem768Curve25519())
    except UnsupportedAlgorithm:
        return False


class Group14:
    """diffie-hellman-group14 (RFC 4253 section 8, RFC 8268 section 3).

    Plain arithmetic, because libraries are giving finite-field groups up; that its time depends on a secret which
    protects nothing is no loss.
    """

    prime = GROUP_14_PRIME

    def __init__(self) -> None:
        self._exponent = secrets.randbits(_EXPONENT_BITS) | 1 << (_EXPONENT_BITS - 1)
        self.public = put_mpint(pow(2, self._exponent, self.prime))[4:]

    def agree(self, public: bytes) -> int:
        """RFC 4253 section 8: a value outside [1, p-1] is refused, and with it the two that give the secret away."""
        theirs = int.from_bytes(public, "big", signed=True)
        if not 1 < theirs < self.prime - 1:
            raise SshWireError("the server's Diffie-Hellman value is out of range")
        return pow(theirs, self._exponent, self.prime)


class Group16(Group14):
    """diffie-hellman-group16 (RFC 8268 section 3)."""

    prime = GROUP_16_PRIME


@dataclass(frozen=True, slots=True)
class Method:
    """A key exchange method: how to begin it, and the hash it is made with."""

    begin: type[KeyExchange]
    hash_name: str


#: The methods spoken here, cheapest first, SHA-1 last.  ``diffie-hellman-group16-sha512`` and ``ecdh-sha2-nistp384`` are a SHOULD
#: of RFC 9142 section 4 and may be all that a hardened server has; ``diffie-hellman-group14-sha1`` is a MAY and often the best
#: that an old one has.
METHODS: dict[str, Method] = {
    "curve25519-sha256": Method(Curve25519, "sha256"),
    "curve25519-sha256@libssh.org": Method(Curve25519, "sha256"),
    "ecdh-sha2-nistp256": Method(NistP256, "sha256"),
    "ecdh-sha2-nistp384": Method(NistP384, "sha384"),
    "ecdh-sha2-nistp521": Method(NistP521, "sha512"),
    **({"mlkem768x25519-sha256": Method(MlKem768Curve25519, "sha256")} if _has_mlkem() else {}),
    "diffie-hellman-group14-sha256": Method(Group14, "sha256"),
    "diffie-hellman-group16-sha512": Method(Group16, "sha512"),
    "diffie-hellman-group14-sha1": Method(Group14, "sha1"),
}


@dataclass(frozen=True, slots=True)
class Transcript:
    """What both sides said before the key exchange, as it enters the hash: lines without their ends, whole payloads."""

    client_line: bytes
    server_line: bytes
    client_offer: bytes
    server_offer: bytes


def exchange_hash(hash_name: str, said: Transcript, reply: KexReply, public: bytes, secret: int | bytes) -> bytes:
    """The hash that the server signs (RFC 4253 section 8, RFC 5656 section 4, RFC 8731 section 3.1)."""
    parts = (said.client_line, said.server_line, said.client_offer, said.server_offer, reply.host_key, public, reply.public)
    shared = put_mpint(secret) if isinstance(secret, int) else put_string(secret)
    return hashlib.new(hash_name, b"".join(map(put_string, parts)) + shared).digest()


def fingerprint(blob: bytes) -> str:
    """``SHA256:`` and the unpadded base64 of the digest of the key as sent: the usual display, a convention without RFC."""
    return "SHA256:" + base64.b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")


def prove(blob: bytes, algorithm: str, signature: bytes, digest: bytes) -> SshHostKey:
    """The host key in ``blob``, once its signature of ``digest`` by the agreed ``algorithm`` verifies.

    Raises NotHeldError where it does not, SshWireError where the key or the signature cannot be read or is of another kind.
    """
    reader = Reader(signature)
    named, value = reader.string(), reader.string()
    reader.finish()
    if named != algorithm.encode():
        raise SshWireError(f"a signature of another kind than the agreed {algorithm}")
    key = Reader(blob)
    key_type = key.string().decode("ascii", "backslashreplace")
    try:
        if algorithm == "ssh-ed25519":
            bits = _prove_ed25519(key_type, key, value, digest)
        elif algorithm in _RSA_HASHES:
            bits = _prove_rsa(key_type, key, value, digest, _RSA_HASHES[algorithm])
        else:
            bits = _prove_ecdsa(key_type, algorithm, key, value, digest)
    except InvalidSignature:
        raise NotHeldError(f"the signature does not verify with the {algorithm} key that was shown") from None
    return SshHostKey(key_type=key_type, bits=bits, fingerprint=fingerprint(blob), blob=blob)


def _insist(key_type: str, wanted: str) -> None:
    if key_type != wanted:
        raise SshWireError(f"a key of another kind than the agreed {wanted}")


def _prove_ed25519(key_type: str, key: Reader, value: bytes, digest: bytes) -> int:
    """RFC 8709 sections 4 and 6."""
    _insist(key_type, "ssh-ed25519")
    octets = key.string()
    key.finish()
    try:
        ed25519.Ed25519PublicKey.from_public_bytes(octets).verify(value, digest)
    except _REFUSED as error:
        raise SshWireError("an Ed25519 key that cannot be read") from error
    return len(octets) * 8


def _prove_rsa(key_type: str, key: Reader, value: bytes, digest: bytes, hash_algorithm: hashes.HashAlgorithm) -> int:
    """RFC 8332 section 3: the key stays of type ssh-rsa (RFC 4253 section 6.6), only the signature's name changes."""
    _insist(key_type, "ssh-rsa")
    exponent, modulus = key.mpint(), key.mpint()
    key.finish()
    # RFC 4253 section 6.6 sends the signature without lengths or padding; some servers drop its leading zero octets.
    value = value.rjust((modulus.bit_length() + 7) // 8, b"\0")
    try:
        rsa.RSAPublicNumbers(exponent, modulus).public_key().verify(value, digest, padding.PKCS1v15(), hash_algorithm)
    except _REFUSED as error:
        raise SshWireError("an RSA key that cannot be used") from error
    return modulus.bit_length()


def _prove_ecdsa(key_type: str, algorithm: str, key: Reader, value: bytes, digest: bytes) -> int:
    """RFC 5656 sections 3.1 and 3.1.2."""
    _insist(key_type, algorithm)
    curve_name = key.string().decode("ascii", "backslashreplace")
    _insist(f"ecdsa-sha2-{curve_name}", algorithm)
    point = key.string()
    key.finish()
    numbers = Reader(value)
    r, s = numbers.mpint(), numbers.mpint()
    numbers.finish()
    curve, hash_algorithm = _CURVES[curve_name]
    try:
        public = ec.EllipticCurvePublicKey.from_encoded_point(curve, point)
        public.verify(encode_dss_signature(r, s), digest, ec.ECDSA(hash_algorithm))
    except _REFUSED as error:
        raise SshWireError("an ECDSA key or signature that cannot be read") from error
    return curve.key_size
