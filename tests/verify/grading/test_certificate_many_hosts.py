"""Hosts whose certificates one authority issued: what was verified above it for the first hides no fault of another."""

from __future__ import annotations

import datetime
from collections.abc import Callable

import pytest
from cryptography.x509 import verification

from verify.grading.certificate import path as paths
from verify.grading.certificate.path import Anchors, Kind, Outcome, validate
from verify.laboratory import authority
from verify.laboratory.authority import Credential, Validity

MOMENT = datetime.datetime(2026, 11, 2, 9, tzinfo=datetime.UTC)
VALID = Validity.around(MOMENT)
LATER = MOMENT + datetime.timedelta(days=60)
ROOT = authority.root("Root", Validity.around(MOMENT, days_before=10, days_after=900))
RACK = authority.intermediate(ROOT, "Rack", Validity.around(MOMENT, days_before=10, days_after=30))
LIMITED = authority.intermediate(ROOT, "Limited", VALID, permitted=("obs.example.net",))
BELOW_LIMITED = authority.intermediate(LIMITED, "Below", VALID)


def leaf(issuer: Credential, name: str, validity: Validity = VALID) -> Credential:
    return authority.leaf(issuer, (name,), validity)


def damaged(credential: Credential) -> bytes:
    """The same with another last octet, which belongs to the signature."""
    return credential.der[:-1] + bytes([credential.der[-1] ^ 1])


FIRST = leaf(RACK, "dome-a.obs.example.net")
NAMESAKE = authority.intermediate(ROOT, "Rack", VALID)
STRANGER = authority.intermediate(authority.root("Stranger", VALID), "Rack", VALID)


def follow(der: bytes, *sent: Credential, anchors: Anchors, moment: datetime.datetime | None = MOMENT) -> Outcome:
    return validate(der, [each.der for each in sent], anchors, moment)


@pytest.mark.parametrize(("der", "sent", "anchor", "expected"), [
    (leaf(RACK, "dome-b.obs.example.net").der, RACK, ROOT, Kind.TRUSTED),
    (damaged(leaf(RACK, "dome-b.obs.example.net")), RACK, ROOT, Kind.BAD_SIGNATURE),
    (leaf(NAMESAKE, "dome-b.obs.example.net").der, RACK, ROOT, Kind.BAD_SIGNATURE),
    (leaf(STRANGER, "dome-b.obs.example.net").der, STRANGER, ROOT, Kind.ISSUER_NOT_SENT),
    (leaf(authority.root("Elsewhere", VALID), "dome-b.obs.example.net").der, RACK, ROOT, Kind.ISSUER_NOT_SENT),
    (leaf(BELOW_LIMITED, "dome-b.obs.example.net").der, BELOW_LIMITED, LIMITED, Kind.TRUSTED),
    (leaf(BELOW_LIMITED, "dome-b.example.org").der, BELOW_LIMITED, LIMITED, Kind.REFUSED),
])
def test_fault_of_one_host_is_seen_after_a_sound_one(der: bytes, sent: Credential, anchor: Credential, expected: Kind) -> None:
    """As if it had been the only host: RFC 5280 section 6.1 is about one path."""
    anchors = Anchors([anchor.certificate])
    for first in (FIRST, leaf(BELOW_LIMITED, "dome-a.obs.example.net")):
        follow(first.der, RACK if first is FIRST else BELOW_LIMITED, anchors=anchors)
    after = follow(der, sent, anchors=anchors)
    alone = follow(der, sent, anchors=Anchors([anchor.certificate]))
    assert (after.kind, after.path, after.at, after.detail) == (alone.kind, alone.path, alone.at, alone.detail)
    assert after.kind is expected


@pytest.mark.parametrize("moment", [LATER, None])
def test_authority_that_has_ended_meanwhile_is_sound_at_no_moment_after_it(moment: datetime.datetime | None) -> None:
    """The first host was seen while its authority's certificate was valid, the second one after that."""
    anchors = Anchors([ROOT.certificate])
    assert follow(FIRST.der, RACK, anchors=anchors).at == MOMENT
    second = leaf(RACK, "dome-b.obs.example.net", Validity.around(MOMENT, days_before=1, days_after=800))
    outcome = follow(second.der, RACK, anchors=anchors, moment=moment)
    assert outcome.kind is Kind.TRUSTED
    assert outcome.at is not None
    assert outcome.at < LATER


def test_one_of_two_ways_up_is_not_taken_for_the_only_one() -> None:
    """With another certificate of the authority's name beside it, each host's path is found as it was before."""
    anchors = Anchors([ROOT.certificate])
    for sent in ((RACK, NAMESAKE), (NAMESAKE, RACK)):
        for issuer in sent:
            outcome = follow(leaf(issuer, "dome-b.obs.example.net").der, *sent, anchors=anchors)
            assert outcome.path[1:] == (issuer.certificate, ROOT.certificate)


def test_signatures_above_an_authority_are_verified_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """For a second host the library is asked about its own certificate alone."""
    asked: list[int] = []
    judge: Callable[..., tuple[tuple[object, ...], str]] = paths._judge

    def counting(one: object, others: tuple[object, ...], store: verification.Store, at: datetime.datetime) -> object:
        asked.append(len(others))
        return judge(one, others, store, at)

    monkeypatch.setattr(paths, "_judge", counting)
    anchors = Anchors([ROOT.certificate])
    for name in ("dome-a", "dome-b", "dome-c"):
        assert follow(leaf(RACK, f"{name}.obs.example.net").der, RACK, anchors=anchors).kind is Kind.TRUSTED
    assert asked == [1, 0, 0]
