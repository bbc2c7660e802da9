"""What was seen of one host while it was rebooted: when each sign of life went and came back.

Plain frozen data, as in ``shared.evidence``: times of day are RFC 3339 UTC text, and nothing here is judged.
"""

from __future__ import annotations

import enum

import msgspec


class Reading(enum.StrEnum):
    """What one sign of life showed in one round.

    ``closed`` is an answer that says no: a reset, or a service that accepts and does not speak.  Something lives there, and
    the service is not ready.  ``unknown`` says that the runner could not ask.
    """

    UP = "up"
    CLOSED = "closed"
    SILENT = "silent"
    UNKNOWN = "unknown"


class Sign(msgspec.Struct, frozen=True, order=True):
    """One thing that is looked at: what is asked ("echo", "443/tcp", "time"), where, and what must be spoken there.

    ``speaks`` is "tls" or "ssh" where a handshake or an identification is asked for beyond the open port.
    """

    name: str
    address: str
    speaks: str = ""

    @property
    def service(self) -> bool:
        """Whether it is a planned service; an echo is answered by the system alone."""
        return self.name != "echo"


class Moment(msgspec.Struct, frozen=True, kw_only=True):
    """A sign that changed: at some time after ``after``, when it was last seen otherwise, and not later than ``at``.

    The first reading of a sign has an empty ``after``.  ``detail`` is what was said, in words.
    """

    at: str
    after: str
    sign: Sign
    reading: Reading
    detail: str = ""


class BootMark(msgspec.Struct, frozen=True, kw_only=True):
    """What the host itself says of its present boot: an identifier made anew at every boot, and when it began, where known."""

    at: str
    boot_id: str = ""
    booted: str = ""


class Outage(msgspec.Struct, frozen=True, kw_only=True):
    """One silence of a whole host: no sign of life between ``silent`` and ``back``, each an RFC 3339 time or empty.

    ``answered`` is the last sign of life before it, empty where the host was silent when the watch began.  ``back`` is the
    first sign of life after it, empty where none came; ``still`` is the last round without one before that.
    """

    answered: str
    silent: str
    still: str = ""
    back: str = ""


class BootEvidence(msgspec.Struct, frozen=True, kw_only=True):
    """What was seen of one host while it was rebooted.

    ``since`` is when the reboot was ordered, where the operator said so.  ``moments`` holds the changes of each sign in
    order, ``left_out`` counts those beyond the ones kept.  ``ready`` is when all planned ports began to answer round after
    round, ``settled`` when they had done so for as many rounds and as long as was asked (``steady_rounds``,
    ``steady_seconds``); both are empty where that never happened.  ``keys_before`` and ``keys_after`` are fingerprints of SSH
    host keys that were proven, as (port and address, key type, fingerprint).  ``why`` says how the watch of this host ended:
    "settled", "time-out" or "interrupted".  ``earlier_seconds`` is how long the host's earlier reboots took that were watched
    and stored, from the first unanswered question until it was ready, the latest first.
    ``answered_rounds`` counts the rounds with any sign of life, None in runs from before it was counted; ``unwatched`` is the
    longest time between two signs of life in which rounds are missing, since the runner was held up or could not ask.
    """

    began: str
    ended: str
    rounds: int
    round_seconds: float
    steady_rounds: int
    steady_seconds: float
    why: str
    since: str = ""
    signs: tuple[Sign, ...] = ()
    moments: tuple[Moment, ...] = ()
    left_out: int = 0
    outages: tuple[Outage, ...] = ()
    ready: str = ""
    settled: str = ""
    before: BootMark | None = None
    after: BootMark | None = None
    keys_before: tuple[tuple[str, str, str], ...] = ()
    keys_after: tuple[tuple[str, str, str], ...] = ()
    earlier_seconds: tuple[float, ...] = ()
    answered_rounds: int | None = None
    unwatched: tuple[str, str] | None = None
