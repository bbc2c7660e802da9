"""Looks at a TLS port: one handshake with nothing verified, the chain as sent, and which other versions are accepted.

What answers may be anything.  Alerts, resets, silence, plain text, endless data and broken certificates are evidence.
"""

from __future__ import annotations

from probes.patience import Patience
from probes.seam import Network, NotObserved, Stream, failed, now
from probes.tlshandshake import Visit, server_name_of
from probes.tlshello import TLS12, VERSIONS
from probes.tlsleaf import chain_in_the_clear
from probes.tlstrials import try_versions
from shared.evidence import Failure, FailureKind, TlsEvidence, VersionTrial
from shared.questions import PortQuestion


async def examine(network: Network, question: PortQuestion, stream: Stream) -> TlsEvidence:
    """Hold a handshake over ``stream``, which is freshly connected, and close it; then try the versions not negotiated.

    ``network.pace.timeout_seconds`` covers all of it, from the ClientHello to the last trial, less what is spent waiting
    for a handshake slot or for our turn in the pace.  Raises nothing: what cannot be observed is the evidence's ``failure``.
    """
    from probes.tlssession import Handshake, facts_of

    at, began = now(network), network.monotonic()
    server_name, patience = server_name_of(question.server_name), Patience(network, network.pace.timeout_seconds)
    visit = Visit(network, stream, patience)
    session = Handshake(server_name)
    failure: Failure | None = None
    try:
        await visit.shake_hands(session)
        await visit.take_leave(session)
    except NotObserved as caught:
        failure = caught.failure
    finally:
        stream.close()
    versions = await try_versions(question, server_name, session.protocol, failure, patience)
    sent, hello = session.sent(), ""
    if not sent and failure is not None and not visit.greeting:
        sent, hello = await _in_the_clear(network, question, failure, versions, patience)
    chain = facts_of(sent)
    return TlsEvidence(
        address=question.address, port=question.label, server_name=server_name or "", at=at,
        elapsed_seconds=network.monotonic() - began, protocol=session.protocol,
        cipher=session.cipher if session.finished else "", chain=chain, versions=versions, greeting=visit.greeting,
        clear_hello=hello, chain_left_out=len(sent) - len(chain), failure=failure)


async def _in_the_clear(
    network: Network, question: PortQuestion, failure: Failure, versions: tuple[VersionTrial, ...], patience: Patience
) -> tuple[tuple[bytes, ...], str]:
    """What a server shows to a bare hello where no handshake came about, and the version of that hello.

    Its key may be on a curve that is offered no more, and its certificate one that our own library does not read.
    """
    accepted = [number for number, name in VERSIONS.items() if number <= TLS12
                for trial in versions if (trial.version, trial.outcome) == (name, "accepted")]
    if failure.kind is FailureKind.MALFORMED:
        accepted.append(TLS12)
    if not accepted:
        return (), ""
    try:
        return await chain_in_the_clear(network, question, accepted[0], patience), VERSIONS[accepted[0]]
    except NotObserved:
        return (), ""


async def shown_certificate(network: Network, question: PortQuestion, stream: Stream) -> str:
    """The SHA-256 of the certificate that answers on ``stream``, freshly connected, which is closed; no version is tried.

    Raises NotObserved.
    """
    from probes.tlssession import Handshake, facts_of

    session = Handshake(server_name_of(question.server_name))
    visit = Visit(network, stream, Patience(network, network.pace.timeout_seconds))
    try:
        await visit.shake_hands(session)
        await visit.take_leave(session)
    finally:
        stream.close()
    chain = facts_of(session.sent()[:1])
    if not chain:
        raise failed(FailureKind.OTHER, "handshake", 0.0, "the server showed no certificate")
    return chain[0].sha256
