"""A throwaway certificate authority: roots, intermediates and leaves with chosen names, dates, keys and faults.

The laboratory and the tests make every certificate here, so that a fault is planted in one way only.  Pure functions:
no clock is read and no file written; whoever calls says from when to when a certificate is valid.
"""

from __future__ import annotations

import datetime
import ipaddress
from dataclasses import dataclass

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey

#: Extensions to plant, each with whether it is critical.
Extensions = tuple[tuple[x509.ExtensionType, bool], ...]

SERVER_USAGE = ExtendedKeyUsageOID.SERVER_AUTH

_CURVES: dict[str, ec.EllipticCurve] = {"p192": ec.SECP192R1(), "p256": ec.SECP256R1(), "p384": ec.SECP384R1()}


@dataclass(frozen=True, slots=True)
class Validity:
    """From when to when a certificate is valid, both ends inclusive (RFC 5280 section 4.1.2.5); whole seconds of UTC."""

    not_before: datetime.datetime
    not_after: datetime.datetime

    @classmethod
    def around(cls, moment: datetime.datetime, *, days_before: float = 1, days_after: float = 365) -> Validity:
        """A validity that holds ``moment``, or that misses it where a number of days is negative."""
        whole = moment.replace(microsecond=0)
        return cls(whole - datetime.timedelta(days=days_before), whole + datetime.timedelta(days=days_after))


@dataclass(frozen=True, slots=True)
class Credential:
    """A certificate with its private key and the certificates above it, nearest issuer first, the root last."""

    certificate: x509.Certificate
    key: Key
    issuers: tuple[x509.Certificate, ...] = ()

    @property
    def der(self) -> bytes:
        """The certificate alone."""
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def pem(self) -> bytes:
        """The certificate alone, as text."""
        return _pem(self.certificate)

    @property
    def chain(self) -> tuple[x509.Certificate, ...]:
        """What a server should send: the certificate and its intermediates, without the root (RFC 8446 section 4.4.2)."""
        return (self.certificate, *(issuer for issuer in self.issuers if issuer.issuer != issuer.subject))

    @property
    def chain_pem(self) -> bytes:
        """``chain`` as text: the file to hand to a server."""
        return b"".join(_pem(certificate) for certificate in self.chain)

    @property
    def key_pem(self) -> bytes:
        """The private key as text, unencrypted (PKCS #8)."""
        return self.key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
                                      serialization.NoEncryption())


def make_key(kind: str = "p256") -> Key:
    """A new private key: "p192", "p256", "p384", "ed25519", or "rsa-2048" with any size from 1024 bits.

    Raises ValueError for another kind.
    """
    if kind in _CURVES:
        return ec.generate_private_key(_CURVES[kind])
    if kind == "ed25519":
        return ed25519.Ed25519PrivateKey.generate()
    family, _, bits = kind.partition("-")
    if family != "rsa" or not bits.isdigit():
        raise ValueError(f"no such kind of key: {kind}")
    return rsa.generate_private_key(public_exponent=65537, key_size=int(bits))


def root(title: str, validity: Validity, *, key: Key | None = None) -> Credential:
    """A self-signed root: the trust anchor of everything below it."""
    key = key or make_key()
    name = _name(title)
    builder = _authority_extensions(_builder(name, name, validity, key), key, key, path_length=None)
    return Credential(_sign(builder, key), key)


def intermediate(
    issuer: Credential, title: str, validity: Validity, *, key: Key | None = None, path_length: int | None = None,
    is_authority: bool = True, permitted: tuple[str, ...] = (), extensions: Extensions = (),
) -> Credential:
    """A certificate authority below another.

    ``is_authority=False`` plants an issuer that may not issue.  ``permitted`` lists the DNS subtrees that it may name
    (RFC 5280 section 4.2.1.10).  ``extensions`` are added to the usual ones.
    """
    key = key or make_key()
    builder = _builder(_name(title), issuer.certificate.subject, validity, key)
    builder = _authority_extensions(builder, key, issuer.key, path_length=path_length, is_authority=is_authority)
    if permitted:
        subtrees = [x509.DNSName(subtree) for subtree in permitted]
        builder = builder.add_extension(x509.NameConstraints(subtrees, None), critical=True)
    builder = _planted(builder, extensions)
    return Credential(_sign(builder, issuer.key), key, (issuer.certificate, *issuer.issuers))


def leaf(
    issuer: Credential | None, names: tuple[str, ...], validity: Validity, *, key: Key | None = None,
    common_name: str | None = None, alternative_names: tuple[x509.GeneralName, ...] | None = None, is_authority: bool = False,
    usages: tuple[x509.ObjectIdentifier, ...] | None = (SERVER_USAGE,), serial: int | None = None,
    key_usage: x509.KeyUsage | None = None, extensions: Extensions = (),
) -> Credential:
    """A server's certificate; with no ``issuer`` it is self-signed, as installers leave it.

    ``names`` go into the subject alternative names, addresses as addresses; no names at all leaves the extension out.
    ``alternative_names`` are put there instead, as given, to plant odd ones.  ``usages`` None leaves the extended key
    usage out.  ``common_name`` defaults to the first name.  ``key_usage`` takes the place of the sound one, and
    ``extensions`` are added to the usual ones.
    """
    key = key or make_key()
    title = common_name if common_name is not None else next(iter(names), "host")
    subject = _name(title, organization="")
    signer = issuer.key if issuer else key
    builder = _builder(subject, issuer.certificate.subject if issuer else subject, validity, key, serial)
    builder = builder.add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
    builder = builder.add_extension(key_usage or _key_usage(signs_certificates=is_authority), critical=True)
    builder = _planted(_identifiers(builder, key, signer), extensions)
    wanted = alternative_names if alternative_names is not None else tuple(_general_name(name) for name in names)
    if wanted:
        builder = builder.add_extension(x509.SubjectAlternativeName(wanted), critical=False)
    if usages is not None:
        builder = builder.add_extension(x509.ExtendedKeyUsage(usages), critical=False)
    issuers = (issuer.certificate, *issuer.issuers) if issuer else ()
    return Credential(_sign(builder, signer), key, issuers)


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


def _name(title: str, organization: str = "Tidewater Observatory") -> x509.Name:
    attributes = [x509.NameAttribute(NameOID.ORGANIZATION_NAME, organization)] if organization else []
    if title:
        attributes.append(x509.NameAttribute(NameOID.COMMON_NAME, title))
    return x509.Name(attributes)


def _general_name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _builder(
    subject: x509.Name, issuer: x509.Name, validity: Validity, key: Key, serial: int | None = None
) -> x509.CertificateBuilder:
    return (x509.CertificateBuilder()
            .subject_name(subject).issuer_name(issuer).public_key(key.public_key())
            .serial_number(serial if serial is not None else x509.random_serial_number())
            .not_valid_before(validity.not_before).not_valid_after(validity.not_after))


def _authority_extensions(
    builder: x509.CertificateBuilder, key: Key, signer: Key, *, path_length: int | None, is_authority: bool = True
) -> x509.CertificateBuilder:
    builder = builder.add_extension(x509.BasicConstraints(ca=is_authority, path_length=path_length), critical=True)
    builder = builder.add_extension(_key_usage(signs_certificates=is_authority), critical=True)
    return _identifiers(builder, key, signer)


def _identifiers(builder: x509.CertificateBuilder, key: Key, signer: Key) -> x509.CertificateBuilder:
    """The key identifiers of subject and issuer (RFC 5280 sections 4.2.1.1 and 4.2.1.2)."""
    authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key())
    return (builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .add_extension(authority, critical=False))


def _planted(builder: x509.CertificateBuilder, extensions: Extensions) -> x509.CertificateBuilder:
    for extension, critical in extensions:
        builder = builder.add_extension(extension, critical)
    return builder


def _key_usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True, key_cert_sign=signs_certificates, crl_sign=signs_certificates, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False, decipher_only=False)


def _sign(builder: x509.CertificateBuilder, signer: Key) -> x509.Certificate:
    return builder.sign(signer, None if isinstance(signer, ed25519.Ed25519PrivateKey) else hashes.SHA256())
