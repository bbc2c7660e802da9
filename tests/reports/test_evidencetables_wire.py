"""The tables of owners, packet sizes and visits: everything that was seen, nothing judged."""

from __future__ import annotations

from reports.evidencetables import failure_words, of_host, of_site
from shared.evidence import (
    Failure,
    FailureKind,
    HostEvidence,
    Identity,
    Owner,
    OwnersEvidence,
    PathMtuEvidence,
    SiteEvidence,
    SizeTrial,
)

AT = "2027-03-04T09:12:31Z"
OWNERS = OwnersEvidence(address="192.0.2.11", at=AT, interface="eth0", asked=3, owners=(
    Owner(mac="00:00:5e:00:53:11", answers=3), Owner(mac="00:00:5e:00:53:12", answers=0, unasked=2)))
NOBODY = OwnersEvidence(address="192.0.2.12", at=AT, failure=Failure(
    kind=FailureKind.NO_ROUTE, phase="off-link", elapsed_seconds=0.0, detail="a router stands between"))
TOO_BIG = Failure(kind=FailureKind.TOO_BIG, phase="answer", elapsed_seconds=0.001, sender="192.0.2.1", mtu=1400)


def test_every_owner_is_shown_with_how_often_it_spoke() -> None:
    """Asked and unasked apart; and why nobody was asked."""
    (table,) = of_host(HostEvidence(fqdn="dome-a.obs.example.net", owners=(OWNERS, NOBODY)))
    assert table.rows[0] == ("192.0.2.11", "eth0", "00:00:5e:00:53:11 (3 of 3, 0), 00:00:5e:00:53:12 (0 of 3, 2)", "")
    assert table.rows[1][2] == "none"
    assert "a router stands between" in table.rows[1][3]
    assert [one.title for one in of_site(SiteEvidence(owners=(OWNERS,)))] == [table.title]


def test_every_size_is_shown_and_what_would_fit() -> None:
    """In the order in which they were tried."""
    path = PathMtuEvidence(address="192.0.2.11", at=AT, planned_octets=1500, trials=(
        SizeTrial(size_octets=84, tries=1), SizeTrial(size_octets=1500, tries=2, failure=TOO_BIG)))
    (table,) = of_host(HostEvidence(fqdn="dome-a.obs.example.net", paths=(path,)))
    assert [row[1:4] for row in table.rows] == [("84", "yes", "1"), ("1500", "no", "2")]
    assert table.rows[1][4] == failure_words(TOO_BIG)
    assert "said by 192.0.2.1" in failure_words(TOO_BIG)
    assert "1400 octets would fit" in failure_words(TOO_BIG)


def test_every_visit_is_shown() -> None:
    """With what it met and how often, or why it met nobody."""
    met = Identity(address="192.0.2.11", port="22/tcp", at=AT, kind="ssh-ed25519", fingerprint="SHA256:one")
    missed = Identity(address="192.0.2.11", port="22/tcp", at=AT, failure=TOO_BIG)
    (table,) = of_host(HostEvidence(fqdn="dome-a.obs.example.net", identities=(met, missed, met)))
    assert table.rows == (("22/tcp", "192.0.2.11", "ssh-ed25519", "SHA256:one", "", "2"),
                          ("22/tcp", "192.0.2.11", "", "", failure_words(TOO_BIG), "1"))


def test_a_column_in_which_nothing_is_said_is_left_out() -> None:
    """Its heading goes with it, and every row still has a cell for each heading."""
    met = Identity(address="192.0.2.11", port="22/tcp", at=AT, kind="ssh-ed25519", fingerprint="SHA256:one")
    (table,) = of_host(HostEvidence(fqdn="dome-a.obs.example.net", identities=(met,)))
    assert table.head == ("port", "address", "kind", "fingerprint", "visits")
    assert table.rows == (("22/tcp", "192.0.2.11", "ssh-ed25519", "SHA256:one", "1"),)
