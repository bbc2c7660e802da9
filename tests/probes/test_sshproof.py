"""Proof of a host key: the group's published prime, forged and foreign signatures, and the key exchange methods."""

from __future__ import annotations

import base64
import contextlib
import hashlib
from fractions import Fraction

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given
from hypothesis import strategies as st

from probes import sshproof
from probes.sshproof import METHODS, NotHeldError
from probes.sshwire import KexReply, SshWireError, put_mpint, put_string

DIGEST = hashlib.sha256(b"what both sides said").digest()
ED25519 = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
ECDSA = {bits: ec.derive_private_key(bits * 7919, curve) for bits, curve in
         ((256, ec.SECP256R1()), (384, ec.SECP384R1()), (521, ec.SECP521R1()))}
RSA = {bits: rsa.generate_private_key(65537, bits) for bits in (1024, 2048)}
_CURVE_HASHES = {256: hashes.SHA256(), 384: hashes.SHA384(), 521: hashes.SHA512()}
_RSA_HASHES = {"rsa-sha2-512": hashes.SHA512(), "rsa-sha2-256": hashes.SHA256(), "ssh-rsa": hashes.SHA1()}


def blob_of(key: object) -> bytes:
    """The host key as it is sent, by the library's own writer of the format."""
    text: bytes = key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)  # type: ignore[attr-defined]
    return base64.b64decode(text.split()[1])


def signed(key: object, algorithm: str, digest: bytes = DIGEST) -> bytes:
    """A signature as it is sent: RFC 8709 section 6, RFC 8332 section 3, RFC 5656 section 3.1.2."""
    if isinstance(key, ed25519.Ed25519PrivateKey):
        value = key.sign(digest)
    elif isinstance(key, rsa.RSAPrivateKey):
        value = key.sign(digest, padding.PKCS1v15(), _RSA_HASHES[algorithm])
    else:
        assert isinstance(key, ec.EllipticCurvePrivateKey)
        r, s = decode_dss_signature(key.sign(digest, ec.ECDSA(_CURVE_HASHES[key.key_size])))
        value = put_mpint(r) + put_mpint(s)
    return put_string(algorithm.encode()) + put_string(value)


_SOUND = [
    (ED25519, "ssh-ed25519", "ssh-ed25519", 256),
    *((key, f"ecdsa-sha2-nistp{bits}", f"ecdsa-sha2-nistp{bits}", bits) for bits, key in ECDSA.items()),
    *((key, name, "ssh-rsa", bits) for bits, key in RSA.items() for name in _RSA_HASHES),
]


@pytest.mark.parametrize(("key", "algorithm", "key_type", "bits"), _SOUND)
def test_a_sound_signature_proves_the_key(key: object, algorithm: str, key_type: str, bits: int) -> None:
    """The key is named by its own type and length, whatever the signature's name (RFC 8332 section 3)."""
    proven = sshproof.prove(blob_of(key), algorithm, signed(key, algorithm), DIGEST)
    assert (proven.key_type, proven.bits, proven.blob) == (key_type, bits, blob_of(key))


@pytest.mark.parametrize(("key", "algorithm", "key_type", "bits"), _SOUND)
def test_a_signature_of_something_else_proves_that_the_key_is_not_held(
    key: object, algorithm: str, key_type: str, bits: int
) -> None:
    """A replayed signature, over another exchange, is worth nothing."""
    with pytest.raises(NotHeldError, match="does not verify"):
        sshproof.prove(blob_of(key), algorithm, signed(key, algorithm, b"another exchange"), DIGEST)


@pytest.mark.parametrize(
    ("blob", "algorithm", "signature", "words"),
    [
        (blob_of(ED25519), "ssh-ed25519", signed(ECDSA[256], "ecdsa-sha2-nistp256"), "another kind than the agreed"),
        (blob_of(ECDSA[256]), "ssh-ed25519", signed(ED25519, "ssh-ed25519"), "another kind than the agreed"),
        (blob_of(ECDSA[384]), "ecdsa-sha2-nistp256", signed(ECDSA[256], "ecdsa-sha2-nistp256"), "another kind"),
        (blob_of(RSA[2048]), "rsa-sha2-512", signed(RSA[2048], "ssh-rsa"), "another kind than the agreed rsa-sha2-512"),
        (put_string(b"ssh-ed25519") + put_string(b"\1" * 31), "ssh-ed25519", signed(ED25519, "ssh-ed25519"), "cannot be read"),
        (put_string(b"ssh-rsa") + put_mpint(65537) + put_mpint(-5), "rsa-sha2-256", signed(RSA[1024], "rsa-sha2-256"), "used"),
        (put_string(b"ssh-rsa") + put_mpint(0) + put_mpint(15), "rsa-sha2-256", signed(RSA[1024], "rsa-sha2-256"), "used"),
        (put_string(b"ecdsa-sha2-nistp256") + put_string(b"nistp256") + put_string(b"\4" + b"\1" * 64), "ecdsa-sha2-nistp256",
         signed(ECDSA[256], "ecdsa-sha2-nistp256"), "cannot be read"),
        (put_string(b"ecdsa-sha2-nistp256") + put_string(b"nistp384") + put_string(b"\4"), "ecdsa-sha2-nistp256",
         signed(ECDSA[256], "ecdsa-sha2-nistp256"), "another kind"),
        (blob_of(ED25519) + b"\0", "ssh-ed25519", signed(ED25519, "ssh-ed25519"), "too many"),
        (blob_of(ED25519), "ssh-ed25519", signed(ED25519, "ssh-ed25519") + b"\0", "too many"),
        (b"", "ssh-ed25519", signed(ED25519, "ssh-ed25519"), "announced"),
        (blob_of(ED25519), "ssh-ed25519", b"", "announced"),
    ],
    ids=range(13),  # the keys are others in every process
)
def test_a_key_or_signature_of_another_kind_is_refused(blob: bytes, algorithm: str, signature: bytes, words: str) -> None:
    """What was agreed is what must come, and it must be whole."""
    with pytest.raises(SshWireError, match=words):
        sshproof.prove(blob, algorithm, signature, DIGEST)


@pytest.mark.parametrize("algorithm", [name for names in sshproof.KEY_TYPES.values() for name in names])
@given(data=st.data())
def test_any_key_and_any_signature_are_proven_or_refused(algorithm: str, data: st.DataObject) -> None:
    """Totality: no octets of a host's key or signature escape the one declared error."""
    piece = st.binary(max_size=80).map(put_string)
    kind = put_string(b"ssh-rsa" if "rsa" in algorithm else algorithm.encode())
    curve = st.just(put_string(algorithm[-8:].encode()))
    blob = data.draw(st.one_of(st.binary(max_size=80), st.tuples(st.just(kind), st.one_of(curve, piece), piece).map(b"".join)))
    value = data.draw(st.one_of(piece, st.tuples(piece, piece).map(b"".join).map(put_string)))
    signature = put_string(algorithm.encode()) + value
    with pytest.raises(SshWireError):
        sshproof.prove(blob, algorithm, signature, DIGEST)


def test_the_prime_of_group_14_is_the_published_one() -> None:
    """RFC 3526 section 3 gives it as 2^2048 - 2^1984 - 1 + 2^64 * (floor(2^1918 pi) + 124476)."""
    assert 2**2048 - 2**1984 - 1 + 2**64 * (_pi_times(2**1918) + 124476) == sshproof.GROUP_14_PRIME


def test_the_prime_of_group_16_is_the_published_one() -> None:
    """RFC 3526 section 5 gives it as 2^4096 - 2^4032 - 1 + 2^64 * (floor(2^3966 pi) + 240904)."""
    assert 2**4096 - 2**4032 - 1 + 2**64 * (_pi_times(2**3966) + 240904) == sshproof.GROUP_16_PRIME


def test_the_methods_stand_in_the_order_of_their_cost_and_sha_1_last() -> None:
    """A server that offers several is asked for the cheapest, so that the big group costs only those who offer no other."""
    assert list(METHODS) == ["curve25519-sha256", "curve25519-sha256@libssh.org", "ecdh-sha2-nistp256", "ecdh-sha2-nistp384",
                             "ecdh-sha2-nistp521", *ENCAPSULATING, "diffie-hellman-group14-sha256",
                             "diffie-hellman-group16-sha512", "diffie-hellman-group14-sha1"]


#: The methods of which the server's half is another one than ours.
ENCAPSULATING = [name for name in METHODS if name.startswith("mlkem")]


def _pi_times(scale: int) -> int:
    """floor(scale * pi), by Machin's formula with room to spare."""
    fine = scale << 64

    def arctan_inverse(x: int) -> int:
        total, term, n = 0, fine // x, 1
        while term:
            total += term // n if n % 4 == 1 else -(term // n)
            term, n = term // (x * x), n + 2
        return total

    return int(Fraction(4 * (4 * arctan_inverse(5) - arctan_inverse(239)), fine) * scale)


@pytest.mark.parametrize("name", [name for name in METHODS if name not in ENCAPSULATING])
def test_both_sides_of_a_key_exchange_agree(name: str) -> None:
    """Two halves of the same method come to the same secret."""
    ours, theirs = METHODS[name].begin(), METHODS[name].begin()
    assert ours.agree(theirs.public) == theirs.agree(ours.public)
    assert ours.public != theirs.public


@pytest.mark.parametrize(
    ("name", "public"),
    [
        ("curve25519-sha256", bytes(32)),
        ("curve25519-sha256", b"\1" * 31),
        ("ecdh-sha2-nistp256", b"\4" + b"\1" * 64),
        ("ecdh-sha2-nistp256", b""),
        ("ecdh-sha2-nistp384", b"\4" + b"\1" * 96),
        ("ecdh-sha2-nistp521", b"\4" + b"\1" * 132),
        *((name, octets) for name in METHODS if name.startswith("mlkem") for octets in (
            b"", b"\1" * 32, b"\1" * 1119, b"\1" * 1121, b"\1" * 1088 + bytes(32))),
        *(("diffie-hellman-group14-sha256", put_mpint(number)[4:]) for number in
          (0, 1, -2, sshproof.GROUP_14_PRIME - 1, sshproof.GROUP_14_PRIME, sshproof.GROUP_14_PRIME + 2)),
        *(("diffie-hellman-group16-sha512", put_mpint(number)[4:]) for number in
          (0, 1, -2, sshproof.GROUP_16_PRIME - 1, sshproof.GROUP_16_PRIME, sshproof.GROUP_16_PRIME + 2)),
    ],
)
def test_a_value_that_gives_the_secret_away_is_refused(name: str, public: bytes) -> None:
    """RFC 8731 section 3 (all-zero secret), RFC 5656 section 4 (point on the curve), RFC 4253 section 8 (range)."""
    with pytest.raises(SshWireError):
        METHODS[name].begin().agree(public)


@pytest.mark.parametrize("name", METHODS)
@given(public=st.binary(max_size=300))
def test_any_value_of_the_server_is_used_or_refused(name: str, public: bytes) -> None:
    """Totality of every method."""
    with contextlib.suppress(SshWireError):
        secret = METHODS[name].begin().agree(public)
        assert isinstance(secret, bytes) or secret >= 0


def test_the_exchange_hash_is_over_every_part_in_order() -> None:
    """RFC 4253 section 8: V_C, V_S, I_C, I_S, K_S, e, f as strings, then K as an mpint."""
    said = sshproof.Transcript(client_line=b"vc", server_line=b"vs", client_offer=b"ic", server_offer=b"is")
    reply = KexReply(host_key=b"ks", public=b"f", signature=b"unused")
    wanted = hashlib.sha256(
        b"\0\0\0\2vc\0\0\0\2vs\0\0\0\2ic\0\0\0\2is\0\0\0\2ks\0\0\0\1e\0\0\0\1f\0\0\0\2\0\x80").digest()
    assert sshproof.exchange_hash("sha256", said, reply, b"e", 0x80) == wanted


def test_a_fingerprint_is_unpadded_base64() -> None:
    """The Ed25519 key of RFC 7479 section 2, whose digest that section prints in hex."""
    blob = base64.b64decode("AAAAC3NzaC1lZDI1NTE5AAAAIGPKSUTyz1HwHReFVvD5obVsALAgJRNarH4TRpNePnAS")
    shown = sshproof.fingerprint(blob)
    assert shown.startswith("SHA256:")
    assert not shown.endswith("=")
    assert base64.b64decode(shown[7:] + "=").hex() == "a87f1b687ac0e57d2a081a2f282672334d90ed316d2b818ca9580ea384d92401"
