"""The throwaway authority, and our verdicts on its chains, beside those of the openssl program."""

from __future__ import annotations

import datetime
import subprocess
from pathlib import Path

import pytest
from cryptography import x509

from labkit import spoilt
from verify.grading.certificate.path import Anchors, Kind, validate
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
NAMES = ("dome-a.obs.example.net",)

ROOT = authority.root("Site Root", VALID)
RACK = authority.intermediate(ROOT, "Rack Authority", VALID)
LEAF = authority.leaf(RACK, NAMES, VALID)
NARROW = authority.intermediate(ROOT, "Narrow", VALID, permitted=("other.example.net",))
WIDE = authority.intermediate(ROOT, "Wide", VALID, permitted=("obs.example.net",))
SHORT = authority.intermediate(ROOT, "Short", VALID, path_length=0)
BELOW = authority.intermediate(SHORT, "Below", VALID)
NONE = authority.intermediate(ROOT, "None", VALID, is_authority=False)
ED = authority.root("Ed", VALID, key=authority.make_key("ed25519"))

CHAINS: dict[str, tuple[Credential, tuple[Credential, ...], Credential]] = {
    "sound": (LEAF, (RACK,), ROOT),
    "ed25519": (authority.leaf(ED, NAMES, VALID), (), ED),
    "within its constraints": (authority.leaf(WIDE, NAMES, VALID), (WIDE,), ROOT),
    "issuer not sent": (LEAF, (), ROOT),
    "self-signed": (authority.leaf(None, NAMES, VALID), (), ROOT),
    "same name, other key": (LEAF, (RACK,), authority.root("Site Root", VALID)),
    "damaged leaf": (spoilt.with_broken_signature(LEAF), (RACK,), ROOT),
    "damaged intermediate": (LEAF, (spoilt.with_broken_signature(RACK),), ROOT),
    "outside its constraints": (authority.leaf(NARROW, NAMES, VALID), (NARROW,), ROOT),
    "path too long": (authority.leaf(BELOW, NAMES, VALID), (BELOW, SHORT), ROOT),
    "issuer is no authority": (authority.leaf(NONE, NAMES, VALID), (NONE,), ROOT),
}
SOUND = {"sound", "ed25519", "within its constraints"}


@pytest.mark.parametrize("title", CHAINS)
def test_openssl_and_we_agree_on_every_chain(tmp_path: Path, title: str) -> None:
    """``openssl verify`` at the same moment, as an independent judge."""
    leaf, sent, anchor = CHAINS[title]
    for name, octets in (("leaf", leaf.pem), ("sent", b"".join(each.pem for each in sent)), ("anchor", anchor.pem)):
        (tmp_path / name).write_bytes(octets)
    command = ["openssl", "verify", "-no-CApath", "-no-CAstore", "-attime", str(int(MOMENT.timestamp())), "-CAfile", "anchor"]
    done = subprocess.run([*command, *(("-untrusted", "sent") if sent else ()), "leaf"], cwd=tmp_path, capture_output=True,
                          timeout=20, check=False)
    ours = validate(leaf.der, [each.der for each in sent], Anchors([anchor.certificate]), MOMENT)
    assert (done.returncode == 0) == (title in SOUND)
    assert (ours.kind is Kind.TRUSTED) == (title in SOUND)


def test_chain_is_what_a_server_should_send() -> None:
    """RFC 8446 section 4.4.2: the certificate, its intermediates, and not the root."""
    assert LEAF.chain == (LEAF.certificate, RACK.certificate)
    assert x509.load_pem_x509_certificates(LEAF.chain_pem) == list(LEAF.chain)
    assert spoilt.without_intermediates(LEAF).chain == (LEAF.certificate,)
    assert authority.leaf(None, NAMES, VALID).chain_pem.count(b"BEGIN") == 1


@pytest.mark.parametrize("kind", ["", "rsa", "rsa-", "dsa", "p1"])
def test_unknown_kinds_of_key_are_refused(kind: str) -> None:
    """A mistyped kind is a mistake of the caller's."""
    with pytest.raises(ValueError, match="no such kind"):
        authority.make_key(kind)


def test_sha1_signature_needs_an_rsa_key() -> None:
    """Only an RSA signature can be remade in place."""
    with pytest.raises(ValueError, match="RSA"):
        spoilt.with_sha1_signature(LEAF, RACK.key)
