"""Coming back to a port: one connection after the other, closed every time, and none after one that failed."""

from __future__ import annotations

import pytest

from probes import fake, identities
from probes.seam import NotObserved
from shared.evidence import CertificateFacts, Failure, FailureKind, Identity, SshHostKey, TlsEvidence, VersionTrial
from shared.questions import PortQuestion

SSH = PortQuestion("192.0.2.11", 22, "ssh", "dome-a.obs.example.net", 2)
TLS = PortQuestion("192.0.2.11", 443, "tls", "dome-a.obs.example.net", 2)
REFUSED = Failure(kind=FailureKind.REFUSED, phase="connect", elapsed_seconds=0.001)


class Mute:
    """A peer that takes the connection."""

    def opened(self) -> list[bytes | None]:
        return []

    def received(self, data: bytes) -> list[bytes | None]:
        return []


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the next connections show, in order; a connection for which nothing is left shows nothing in time."""
    told: list[str] = []

    async def key(network, stream) -> SshHostKey:  # type: ignore[no-untyped-def]
        stream.close()
        if not told:
            raise NotObserved(REFUSED)
        return SshHostKey(key_type="ssh-ed25519", bits=256, fingerprint=told.pop(0), blob=b"")

    async def certificate(network, question, stream) -> str:  # type: ignore[no-untyped-def]
        return "handshake " + (await key(network, stream)).fingerprint

    async def in_the_clear(network, question, stream) -> str:  # type: ignore[no-untyped-def]
        return (await key(network, stream)).fingerprint

    monkeypatch.setattr(identities, "shown_key", key)
    monkeypatch.setattr(identities, "shown_certificate", certificate)
    monkeypatch.setattr(identities, "shown_in_the_clear", in_the_clear)
    return told


def visit(
    question: PortQuestion, streams: object, tls: TlsEvidence | None = None
) -> tuple[tuple[Identity, ...], fake.FakeNetwork, float]:
    network = fake.FakeNetwork(streams={(question.address, question.port): streams})

    async def timed() -> tuple[tuple[Identity, ...], float]:
        return await identities.revisit(network, question, tls), network.monotonic()

    met, seconds = fake.run(timed())
    return met, network, seconds


@pytest.mark.parametrize(("question", "kind", "how"), [(SSH, "ssh-ed25519", ""), (TLS, "tls", "handshake ")])
def test_each_visit_is_kept_with_what_it_met(shown: list[str], question: PortQuestion, kind: str, how: str) -> None:
    """In order, half a second apart, every connection closed."""
    shown += ["one", "two"]
    met, network, seconds = visit(question, Mute)
    assert [(one.kind, one.fingerprint, one.failure) for one in met] == [(kind, f"{how}one", None), (kind, f"{how}two", None)]
    assert (network.open_streams, len(network.sent), seconds) == (0, 2, 1.0)


def handshake(fingerprint: str, outcome: str = "accepted") -> TlsEvidence:
    """What a port showed in its handshake, and how a trial of TLS 1.2 came out."""
    leaf = CertificateFacts(sha256=fingerprint, der=b"")
    return TlsEvidence(address="192.0.2.11", port="443/tcp", server_name="", at="", elapsed_seconds=0.0, chain=(leaf,),
                       versions=(VersionTrial(version="TLS 1.2", outcome=outcome),))


@pytest.mark.parametrize(("outcome", "shows", "met", "connections"), [
    ("accepted", ["one", "one"], ["one", "one"], 2),
    ("accepted", ["one", "two"], ["one", "two"], 2),
    ("accepted", ["two", "one", "one"], ["handshake one", "handshake one"], 3),
    ("refused", ["one", "one"], ["handshake one", "handshake one"], 2),
    ("unknown", ["one", "one"], ["handshake one", "handshake one"], 2),
])
def test_certificate_in_the_clear_stands_for_a_handshake_once_it_was_the_same(
    shown: list[str], outcome: str, shows: list[str], met: list[str], connections: int
) -> None:
    """A server with two certificates may show the one in the clear and the other in a handshake: that is no second owner."""
    shown += shows
    seen, network, seconds = visit(TLS, Mute, handshake("one", outcome))
    assert [one.fingerprint for one in seen] == met
    assert (len(network.sent), network.open_streams, seconds, shown) == (connections, 0, 1.0, [])


def test_after_a_visit_that_failed_there_is_no_other(shown: list[str]) -> None:
    """A server that turned us away is not asked again."""
    for streams, expected in (([REFUSED, Mute], 1), (Mute, 1)):
        met, network, _seconds = visit(SSH, streams)
        assert len(met) == expected
        assert met[-1].failure == REFUSED
        assert (met[-1].fingerprint, network.open_streams) == ("", 0)


def test_no_visits_wanted_none_made() -> None:
    """A question without visits sends nothing."""
    met, network, seconds = visit(PortQuestion("192.0.2.11", 22, "ssh", "", 0), Mute)
    assert (met, network.sent, seconds) == ((), [], 0.0)
