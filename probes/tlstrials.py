"""Which TLS versions a server accepts: settled by the negotiation where it can be, by a ClientHello of its own where not.

One hand-packed hello a version and the first record of the answer: about a tenth of a millisecond, where a whole handshake
costs most of one.
"""

from __future__ import annotations

import functools
import secrets

from probes.patience import Patience
from probes.seam import NotObserved, failed
from probes.tlshello import (
    TLS10,
    TLS11,
    TLS12,
    TLS13,
    Alert,
    Answer,
    NotTls,
    ServerHello,
    alert_name,
    client_hello,
    read_answer,
    version_name,
)
from shared.evidence import Failure, FailureKind, VersionTrial, bounded
from shared.questions import PortQuestion

#: The most octets read of one answer: a record and its header (RFC 8446 section 5.1).
ANSWER_OCTETS_LIMIT = (1 << 14) + 5
_READ = 4 << 10

#: Versions from the newest to the oldest, as they are tried.
_NEWEST_FIRST = (TLS13, TLS12, TLS11, TLS10)

#: What a trial says that was refused by a server which knows only newer versions (RFC 5246 section 7.2.2).
_ONLY_NEWER = f"alert {alert_name(70)}"

#: Failures of the handshake after which asking again could still be answered: the server spoke, and said no.
_WORTH_TRIALS = frozenset((FailureKind.TLS_ALERT, FailureKind.RESET, FailureKind.CLOSED))


async def try_versions(
    question: PortQuestion, server_name: str | None, negotiated: str, failure: Failure | None, patience: Patience
) -> tuple[VersionTrial, ...]:
    """What is known of every version after a handshake that negotiated ``negotiated``, or that met ``failure``.

    A server that refused the handshake is asked for every version; one that is silent or speaks something else is left
    alone.  Where the alert "protocol_version" answers a trial nothing older is tried: the server knows only newer versions
    (RFC 5246 appendix E.1).  ``patience`` covers all trials.  Raises nothing.
    """
    if not negotiated and (failure is None or failure.kind not in _WORTH_TRIALS):
        return ()
    known, unknown = _settled_by(negotiated)
    for count, version in enumerate(unknown):
        # Each trial gets an equal part of the time left, so that one that is met with silence leaves some to the others.
        share = patience.part(len(unknown) - count)
        trial = await _try_version(question, server_name, version, share)
        known.append(trial)
        # A hello of TLS 1.3 lists what it offers and says nothing of the rest (RFC 8446 section 4.2.1).
        if version <= TLS12 and trial.detail == _ONLY_NEWER:
            said = f"{_ONLY_NEWER} where {trial.version} was the highest offered"
            known += [_outcome(version_name(older), "refused", said) for older in unknown[count + 1 :]]
            break
    return tuple(known)


def _settled_by(negotiated: str) -> tuple[list[VersionTrial], list[int]]:
    """What the negotiation says of each version, and the versions that it says nothing of.

    Everything up to TLS 1.3 was offered, and a server takes the highest that it knows (RFC 8446 section 4.2.1).
    """
    names = [version_name(version) for version in _NEWEST_FIRST]
    if negotiated not in names:
        return [], list(_NEWEST_FIRST)
    chosen = names.index(negotiated)
    above = [_outcome(name, "refused", f"offered, and {negotiated} was chosen") for name in names[:chosen]]
    return [*above, _outcome(negotiated, "accepted", "negotiated")], list(_NEWEST_FIRST[chosen + 1 :])


async def _try_version(question: PortQuestion, server_name: str | None, version: int, patience: Patience) -> VersionTrial:
    """Offer one version at most on a connection of its own, and read how the server answers."""
    name = version_name(version)
    try:
        return await _trial(question, client_hello(version, server_name, secrets.token_bytes(32)), version, patience)
    except NotObserved as caught:
        failure = caught.failure
        return _outcome(name, "unknown", bounded(f"{failure.kind} in {failure.phase}: {failure.detail}", 256))


async def _trial(question: PortQuestion, hello: bytes, version: int, patience: Patience) -> VersionTrial:
    name, data = version_name(version), b""
    stream = await patience.connect(question.address, question.port)
    try:
        await stream.send(hello, timeout_seconds=patience.left_seconds)
        while (answer := read_answer(data)) is None:
            if patience.left_seconds == 0.0:
                raise failed(FailureKind.NO_ANSWER, "trial", 0.0, "no whole answer came in time")
            received = await stream.receive(_READ, timeout_seconds=patience.left_seconds)
            if not received:
                return _closed(name, data)
            data += received
            if len(data) > ANSWER_OCTETS_LIMIT:
                return _outcome(name, "unknown", "an endless answer")
    finally:
        stream.close()
    return _answered(version, answer)


def _closed(name: str, data: bytes) -> VersionTrial:
    if data:
        return _outcome(name, "unknown", "the connection was closed in the middle of the answer")
    return _outcome(name, "refused", "the connection was closed in good order, without an alert")


def _answered(version: int, answer: Answer) -> VersionTrial:
    name = version_name(version)
    if isinstance(answer, Alert):
        return _outcome(name, "refused", f"alert {alert_name(answer.number)}")
    if isinstance(answer, ServerHello):
        return _chosen(version, answer)
    return _outcome(name, "unknown", "the answer is not TLS" if isinstance(answer, NotTls) else answer.why)


def _chosen(version: int, answer: ServerHello) -> VersionTrial:
    name, chosen = version_name(version), version_name(answer.version)
    if answer.version == version:
        mark = "; the server marks that it can do more (RFC 8446 section 4.1.3)" if answer.can_do_more else ""
        return _outcome(name, "accepted", f"the server chose it when it was the highest offered{mark}")
    if answer.version < version:
        return _outcome(name, "refused", f"offered, and {chosen} was chosen")
    return _outcome(name, "unknown", f"the server chose {chosen}, which was not offered")


@functools.lru_cache(maxsize=256)
def _outcome(version: str, outcome: str, detail: str) -> VersionTrial:
    return VersionTrial(version=version, outcome=outcome, detail=detail)
