"""Authorities that certified each other: several ways lead up from one certificate, and a sound one is found among them."""

from __future__ import annotations

import datetime

import pytest
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from verify.grading.certificate.path import Anchors, Kind, Outcome, validate
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
PAST = Validity.around(MOMENT, days_before=100, days_after=-1)
NAMES = ("dome-a.obs.example.net",)


def follow(leaf: Credential, *sent: Credential, anchor: Credential) -> Outcome:
    return validate(leaf.der, [each.der for each in sent], Anchors([anchor.certificate]), MOMENT)


def crossed(keys: str) -> tuple[Credential, Credential, dict[str, Credential]]:
    """A root, a sound authority below it, and certificates of that authority's name and key that lead nowhere, by their fault."""
    root = authority.root("Root", VALID, key=authority.make_key(keys))
    stranger = authority.root("Stranger", VALID, key=authority.make_key(keys))
    sound = authority.intermediate(root, "Rack", VALID, key=authority.make_key(keys))
    clients = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH])
    return root, sound, {
        "by a stranger": authority.intermediate(stranger, "Rack", VALID, key=sound.key),
        "for clients": authority.intermediate(root, "Rack", VALID, key=sound.key, extensions=((clients, False),)),
        "for other names": authority.intermediate(root, "Rack", VALID, key=sound.key, permitted=("other.example.net",)),
        "no authority": authority.intermediate(root, "Rack", VALID, key=sound.key, is_authority=False),
        "expired": authority.intermediate(root, "Rack", PAST, key=sound.key),
    }


@pytest.mark.parametrize("fault", ["by a stranger", "for clients", "for other names", "no authority", "expired"])
@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_sound_way_is_found_beside_one_that_leads_nowhere(keys: str, fault: str) -> None:
    """RFC 8446 section 4.4.2: be prepared for any order; by the library's walk and, for keys that it does not take, by ours."""
    root, sound, others = crossed(keys)
    leaf = authority.leaf(sound, NAMES, VALID)
    for sent in ((sound, others[fault]), (others[fault], sound)):
        outcome = follow(leaf, *sent, anchor=root)
        assert (outcome.kind, outcome.at) == (Kind.TRUSTED, MOMENT)
        assert outcome.path == (leaf.certificate, sound.certificate, root.certificate)


@pytest.mark.parametrize(("faults", "expected"), [
    (("by a stranger", "for clients"), Kind.NOT_AN_AUTHORITY),
    (("by a stranger", "for other names"), Kind.REFUSED),
    (("by a stranger",), Kind.ISSUER_NOT_SENT),
    (("by a stranger", "expired"), Kind.TRUSTED),
    (("for other names", "expired"), Kind.TRUSTED),
])
@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_of_several_faults_the_one_nearest_to_an_anchor_is_named(keys: str, faults: tuple[str, ...], expected: Kind) -> None:
    """In whatever order they are sent; what has expired is left to the dates."""
    root, sound, others = crossed(keys)
    sent = [others[fault] for fault in faults]
    leaf = authority.leaf(sound, NAMES, VALID)
    assert follow(leaf, *sent, anchor=root).kind is follow(leaf, *sent[::-1], anchor=root).kind is expected


def test_way_that_is_not_followed_leaves_a_broken_one_unproven() -> None:
    """A limit with a dot in front may hold for all that is known here, so the other way's fault is none of the server's."""
    root, sound, others = crossed("p256")
    dotted = authority.intermediate(root, "Rack", VALID, key=sound.key, permitted=(".obs.example.net",))
    leaf = authority.leaf(sound, NAMES, VALID)
    assert follow(leaf, others["for clients"], dotted, anchor=root).kind is Kind.NOT_FOLLOWED


@pytest.mark.parametrize("keys", ["p256", "ed25519"])
def test_root_that_another_root_certified_is_still_the_anchor(keys: str) -> None:
    """Served with the cross-certificate, with the root itself, and with both, as programs that renew certificates leave it."""
    root, sound, _ = crossed(keys)
    stranger = authority.root("Stranger", VALID, key=authority.make_key(keys))
    by_another = authority.intermediate(stranger, "Root", VALID, key=root.key)
    leaf = authority.leaf(sound, NAMES, VALID)
    for sent in ((sound, by_another), (by_another, sound), (sound, root), (sound, by_another, root), (sound, root, by_another)):
        assert follow(leaf, *sent, anchor=root).path == (leaf.certificate, sound.certificate, root.certificate)


def test_authorities_that_certified_each_other_in_a_circle_end_the_walk() -> None:
    """Neither leads to an anchor, and no certificate is passed twice."""
    one, two = authority.root("One", VALID), authority.root("Two", VALID)
    ring = (authority.intermediate(one, "Two", VALID, key=two.key), authority.intermediate(two, "One", VALID, key=one.key))
    assert follow(authority.leaf(one, NAMES, VALID), *ring, anchor=authority.root("Root", VALID)).kind is Kind.ISSUER_NOT_SENT


def test_more_ways_than_are_looked_at_are_no_fault() -> None:
    """The limit is ours; three times three times three are more."""
    issuer, sent = authority.root("Stranger", VALID), []
    for title in ("Top", "Middle", "Bottom"):
        key = authority.make_key()
        level = [authority.intermediate(issuer, title, VALID, key=key) for _ in range(3)]
        sent += level
        issuer = level[0]
    leaf = authority.leaf(issuer, NAMES, VALID)
    assert follow(leaf, *sent, anchor=authority.root("Root", VALID)).kind is Kind.NOT_FOLLOWED
