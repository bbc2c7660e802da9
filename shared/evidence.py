"""What a probe saw: plain frozen data with time stamps, never a judgement.

Conventions.  Every number's name carries its unit.  Times of day are RFC 3339 UTC text.  Durations and offsets are
seconds; an offset is positive when the other clock is ahead of the runner's.  Text that a host controls is bounded
when it is read (``bounded``) and kept as it came; whoever shows it escapes it.

``gc=False`` keeps the cycle collector from looking through a whole fleet's evidence: frozen, it can be in no cycle.
"""

from __future__ import annotations

import enum

import msgspec

from shared.boots import BootEvidence
from shared.hostfacts import HostFacts

#: The most characters of host-controlled text kept in one field.  Longer text ends in an ellipsis.
TEXT_LIMIT = 1024


def bounded(text: str, limit: int = TEXT_LIMIT) -> str:
    """``text``, cut to ``limit`` characters with an ellipsis that says something was cut."""
    return text if len(text) <= limit else text[: limit - 1] + "…"


class FailureKind(enum.StrEnum):
    """Why something could not be observed.  None of these is a judgement of the host.

    ``unreachable`` is a router that found no host, ``no-path`` one that knows no way to its network or dropped a packet that
    went round in circles, ``no-route`` the runner's own routing table.
    """

    NO_ANSWER = "no-answer"
    KERNEL_TIMEOUT = "kernel-timeout"
    REFUSED = "refused"
    RESET = "reset"
    CLOSED = "closed"
    UNREACHABLE = "unreachable"
    NO_PATH = "no-path"
    PROHIBITED = "prohibited"
    NO_ROUTE = "no-route"
    TOO_BIG = "too-big"
    TLS_ALERT = "tls-alert"
    MALFORMED = "malformed"
    MISMATCHED = "mismatched"
    NOT_RESOLVED = "not-resolved"
    NO_PRIVILEGE = "no-privilege"
    LOCAL_LIMIT = "local-limit"
    INTERRUPTED = "interrupted"
    OTHER = "other"


class Failure(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Something that could not be observed: what kind, in which phase, after how long, and what the system said.

    ``sender`` is who sent the ICMP error, where one was received.  ``strays`` counts answers that came from the right
    place but did not belong to the question; ``answered_from`` is the other place, "ADDRESS port NUMBER", from which one came
    that does belong to it.  ``mtu`` is the packet size that a "too big" says would fit, in octets.
    """

    kind: FailureKind
    phase: str
    elapsed_seconds: float
    errno: int | None = None
    detail: str = ""
    sender: str | None = None
    strays: int = 0
    mtu: int | None = None
    answered_from: str = ""


class NameRecord(msgspec.Struct, frozen=True, gc=False):
    """One resource record as text (RFC 1035 presentation form for the value)."""

    owner: str
    rrtype: str
    ttl_seconds: int
    value: str


class NameAnswer(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one name server said to one question, or why nothing usable came.

    ``transport`` is the one the kept answer came over; ``truncated`` says that the UDP answer was cut (TC) and TCP was
    asked.  ``rcode`` is the registry's mnemonic or its number as text.  ``elapsed_seconds`` counts from the first packet,
    over ``tries`` packets; over TCP from the established connection.  ``explanation`` is what the server (RFC 8914) or the
    probe adds, in words, and ``extended_errors`` are the server's codes, None in runs of before they were kept apart.
    ``left_out`` counts records beyond those kept.  Where ``failure`` is set, what was read is kept beside it.
    ``edns_unanswered`` says that the question brought silence until it was sent without EDNS (RFC 6891), and this answer then.
    """

    server: str
    name: str
    rrtype: str
    purpose: str
    transport: str
    at: str
    elapsed_seconds: float
    rcode: str = ""
    authoritative: bool = False
    recursion_available: bool = False
    truncated: bool = False
    answers: tuple[NameRecord, ...] = ()
    authority: tuple[NameRecord, ...] = ()
    failure: Failure | None = None
    explanation: str = ""
    tries: int = 1
    left_out: int = 0
    edns_unanswered: bool = False
    extended_errors: tuple[int, ...] | None = None


class EchoEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One burst of ICMP echoes.  A lost echo's round trip is None, never zero (RFC 2681 section 2.4)."""

    address: str
    method: str
    at: str
    warm_up_seconds: float | None = None
    round_trips_seconds: tuple[float | None, ...] = ()
    hop_limit: int | None = None
    failure: Failure | None = None


class ClockSample(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One NTP exchange: offset and delay by RFC 5905 section 8, with the header fields that qualify it.

    The truth is within ``delay_seconds / 2`` of ``offset_seconds``.  ``stamped_by`` says whose receive time stamp was
    used: the kernel's, or our own later one.  ``elapsed_seconds`` is how long the whole exchange took on the runner's
    clock.  ``reference_stamp`` is the 64-bit stamp of when the server's clock was last set, as sent, in hexadecimal; empty where
    the server gave none.
    """

    at: str
    offset_seconds: float
    delay_seconds: float
    leap: int
    version: int
    stratum: int
    precision_seconds: float
    root_delay_seconds: float
    root_dispersion_seconds: float
    reference_id: str
    reference_age_seconds: float | None
    stamped_by: str
    elapsed_seconds: float = 0.0
    reference_stamp: str = ""


class ClockEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one NTP server answered over a short burst.

    ``samples`` holds the exchanges whose answers belong to the questions, in order, whether or not the server calls
    itself synchronised.  ``kiss_code`` is set where the server asked to be left alone (RFC 5905 section 7.4); such
    packets carry no time and are not samples.  ``discarded`` says of each other answer that is no sample why it is none;
    ``runner_steps_seconds`` holds how far the runner's own clock jumped during exchanges that were discarded for it.
    ``failure`` is the first exchange that got no usable answer; there may be samples beside it.
    """

    server: str
    address: str
    port: int
    at: str
    samples: tuple[ClockSample, ...] = ()
    asked: int = 0
    kiss_code: str = ""
    discarded: tuple[str, ...] = ()
    runner_steps_seconds: tuple[float, ...] = ()
    failure: Failure | None = None


class WitnessSample(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One reading of a host's clock between two stamps of the runner's.

    At some moment between ``at``, when the question was sent, and ``elapsed_seconds`` later, when the answer was there, the
    host's clock is taken to have read between ``reading_seconds`` and ``reading_seconds + resolution_seconds``.  So its lead
    over the runner's clock is between ``lo_seconds`` (the reading less the later stamp) and ``hi_seconds`` (the end of the
    reading less the earlier stamp), which are kept because the stamps as text are coarser.  Readings are Unix seconds; a
    witness that knows no day is taken to mean the day that the runner's clock is nearest to.
    """

    at: str
    elapsed_seconds: float
    reading_seconds: float
    resolution_seconds: float
    lo_seconds: float
    hi_seconds: float


class ClockWitness(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one witness other than NTP says of a host's clock: raw readings, which grading weighs and intersects.

    ``method`` is "http-date", "icmp-timestamp" or "ssh-clock".  ``port`` ("443/tcp") is empty where the method has none.
    ``modulo_seconds`` is set where the readings repeat: a day for ICMP time stamps.  ``details`` holds what else the answers
    said, as (name, value): header fields that tell of a device in between, an odd encoding.  ``discarded`` says of each other
    answer why it is no sample; ``runner_steps_seconds`` holds how far the runner's own clock jumped meanwhile, and then only
    samples from after the last jump are kept.  ``asked`` counts the requests sent.  ``failure`` is the first that got no
    usable answer.
    """

    method: str
    address: str
    at: str
    port: str = ""
    samples: tuple[WitnessSample, ...] = ()
    asked: int = 0
    modulo_seconds: float | None = None
    details: tuple[tuple[str, str], ...] = ()
    discarded: tuple[str, ...] = ()
    runner_steps_seconds: tuple[float, ...] = ()
    failure: Failure | None = None


class SizeTrial(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Echoes of one packet size that nobody on the way may fragment.  ``size_octets`` counts the IP header along.

    ``failure`` is None where one was answered; otherwise what the last of ``tries`` met.
    """

    size_octets: int
    tries: int
    failure: Failure | None = None


class PathMtuEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Which packet sizes passed whole between the runner and an address, in the order in which they were first tried.

    The first trial is of a small packet.  Where ``failure`` is set that one was not answered, or nothing could be sent, and
    no size is known.
    """

    address: str
    at: str
    planned_octets: int
    trials: tuple[SizeTrial, ...] = ()
    failure: Failure | None = None


class Owner(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One hardware address that claimed an IP address: how often when asked, and how often unasked."""

    mac: str
    answers: int
    unasked: int = 0


class OwnersEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Who claimed an address on the runner's own wire, over ``asked`` questions and a while of listening.

    ``owners`` are in the order in which they were first heard.  ``failure`` says why nobody could be asked: no-route in phase
    "off-link" or "own", no-privilege.
    """

    address: str
    at: str
    interface: str = ""
    asked: int = 0
    owners: tuple[Owner, ...] = ()
    failure: Failure | None = None


class Identity(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Who was met on one fresh connection, beside those of ``TlsEvidence`` and ``SshEvidence``.

    ``kind`` is "tls", and ``fingerprint`` the SHA-256 of the certificate shown, whose key need not have been proven; or it is
    an SSH key type, and ``fingerprint`` that key's as in ``SshHostKey``.
    """

    address: str
    port: str
    at: str
    kind: str = ""
    fingerprint: str = ""
    failure: Failure | None = None


class PortState(enum.StrEnum):
    """The four answers a TCP port can give, and the fifth: we could not try."""

    OPEN = "open"
    REFUSED = "refused"
    SILENT = "silent"
    REJECTED = "rejected"
    UNTRIED = "untried"


class PortEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one TCP port answered.

    ``attempts`` counts the connections tried, ``syn_repeats`` the SYNs that the kernel had to send again before the one
    that opened was answered.  Where there were such, ``at_once_again`` says whether a second connection needed none.
    """

    address: str
    port: str
    state: PortState
    at: str
    elapsed_seconds: float
    attempts: int
    failure: Failure | None = None
    syn_repeats: int = 0
    at_once_again: bool = False


class CertificateFacts(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One certificate as sent: its bytes, and what could be read from it.

    ``parse_error`` is set where it could not be parsed; the other fields are then empty.  ``names`` holds the subject
    alternative names as (kind, value) with kinds dns, ip, email, uri, other.  ``self_signed`` is True only where the
    signature verifies with its own key (RFC 5280 section 3.2), None where that could not be tried.  ``oddities`` are
    the parser's complaints about parts that did not keep the rest from being read.
    """

    der: bytes
    sha256: str
    subject: str = ""
    issuer: str = ""
    common_name: str = ""
    serial: str = ""
    not_before: str = ""
    not_after: str = ""
    names: tuple[tuple[str, str], ...] = ()
    names_error: str = ""
    key_type: str = ""
    key_bits: int = 0
    key_sha256: str = ""
    signature: str = ""
    signature_hash: str = ""
    is_authority: bool = False
    server_usage: bool = True
    self_issued: bool = False
    self_signed: bool | None = None
    parse_error: str = ""
    oddities: tuple[str, ...] = ()


class VersionTrial(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Whether one TLS protocol version was accepted when it was the highest offered.

    ``outcome`` is accepted, refused (an alert or an orderly close: the server said no) or unknown.
    """

    version: str
    outcome: str
    detail: str = ""


class TlsEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One TLS handshake and the trials of other versions.  ``chain`` is as sent, the server's own certificate first.

    Where the handshake did not come as far, ``chain`` may be what answered a bare hello in the clear; ``clear_hello`` is then
    the version of that hello, and the server did not prove that it holds the key.  ``chain_left_out`` counts the certificates
    that were sent beyond those kept.
    """

    address: str
    port: str
    server_name: str
    at: str
    elapsed_seconds: float
    protocol: str = ""
    cipher: str = ""
    chain: tuple[CertificateFacts, ...] = ()
    versions: tuple[VersionTrial, ...] = ()
    greeting: str = ""
    failure: Failure | None = None
    clear_hello: str = ""
    chain_left_out: int = 0


class SshHostKey(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One SSH host key that the server proved to hold.  ``fingerprint`` is ``SHA256:`` and unpadded base64."""

    key_type: str
    bits: int
    fingerprint: str
    blob: bytes


class SshKeyFailure(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One host key type that an SSH server offered and that could not be proven to be held, and why.

    ``mismatched`` in phase ``signature`` means that the server showed a key and its signature does not verify with it.
    """

    key_type: str
    failure: Failure


class SshEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one SSH server says of itself before any login (RFC 4253 sections 4.2 and 7.1).

    ``preamble`` holds what came before the identification string, or in its place.  The algorithm lists are as offered, in
    the server's order, both directions together; ``markers`` are the entries of the key exchange list that announce an
    extension and are no method (``ext-info-*``, ``kex-strict-*``).  ``host_keys`` were each proven by a signature.
    ``failure`` says why there is no identification string, or none of the lists; a key that could not be had is in
    ``key_failures``.
    """

    address: str
    port: str
    at: str
    elapsed_seconds: float
    identification: str = ""
    preamble: tuple[str, ...] = ()
    kex_algorithms: tuple[str, ...] = ()
    host_key_algorithms: tuple[str, ...] = ()
    ciphers: tuple[str, ...] = ()
    macs: tuple[str, ...] = ()
    host_keys: tuple[SshHostKey, ...] = ()
    failure: Failure | None = None
    markers: tuple[str, ...] = ()
    compressions: tuple[str, ...] = ()
    key_failures: tuple[SshKeyFailure, ...] = ()


class CommandAnswer(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One command run on a host, with what it printed: its evidence, whether or not it could be read.

    ``topic`` is what it was to find out (``shared.hostcommands``), "question NAME" for the site's own.  ``status`` is its exit
    status, None where none came.  ``output`` and ``errors`` are standard output and standard error, less the shell's banner;
    ``cut`` says that there was more than is kept.
    """

    topic: str
    command: str
    at: str
    elapsed_seconds: float
    status: int | None = None
    output: str = ""
    errors: str = ""
    cut: bool = False
    failure: Failure | None = None


class SystemEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What a host said of itself after a login, or why there was none.

    ``key_standing`` is what the plan's known hosts say of the key that the host showed: known, unknown, changed or revoked;
    no user name was sent but to a known one.  ``banner`` is what the account's shell prints before every answer.  ``failure``
    is why there was no login or why it ended early; its phase is connect, key exchange, host key, key (the runner's own),
    login, shell or commands.
    """

    address: str
    port: str
    user: str
    at: str
    elapsed_seconds: float
    host_key: SshHostKey | None = None
    key_standing: str = ""
    banner: str = ""
    commands: tuple[CommandAnswer, ...] = ()
    facts: HostFacts = HostFacts()
    failure: Failure | None = None


class Crash(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A bug of ours while probing: what was being asked, and the error.  Never a statement about the host."""

    asking: str
    error: str


class Vantage(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Where a probe stood.

    ``on_link`` maps a planned network to True where the runner has an address in it, False where it does not, and
    leaves out what could not be told.  ``shortages`` holds what the runner itself ran short of, and how often; each time it
    waited and tried again.  ``packets_per_second`` is the most that it sent, 0 in runs of before that was kept.
    ``suspended_seconds`` is for how long it was suspended while it probed,
    ``clock_step_seconds`` by how much its wall clock was set meanwhile.
    """

    name: str
    addresses: tuple[str, ...] = ()
    privileges: tuple[str, ...] = ()
    on_link: dict[str, bool] = {}
    shortages: tuple[tuple[str, int], ...] = ()
    packets_per_second: float = 0.0
    suspended_seconds: float = 0.0
    clock_step_seconds: float = 0.0


class SiteEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What was seen of the name servers, time sources and gateways."""

    names: tuple[NameAnswer, ...] = ()
    gateways: tuple[EchoEvidence, ...] = ()
    clocks: tuple[ClockEvidence, ...] = ()
    crashes: tuple[Crash, ...] = ()
    owners: tuple[OwnersEvidence, ...] = ()


class HostEvidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What was seen of one host.  ``complete`` is False where the run was interrupted before every question was asked."""

    fqdn: str
    names: tuple[NameAnswer, ...] = ()
    echoes: tuple[EchoEvidence, ...] = ()
    clocks: tuple[ClockEvidence, ...] = ()
    ports: tuple[PortEvidence, ...] = ()
    tls: tuple[TlsEvidence, ...] = ()
    ssh: tuple[SshEvidence, ...] = ()
    crashes: tuple[Crash, ...] = ()
    complete: bool = True
    witnesses: tuple[ClockWitness, ...] = ()
    owners: tuple[OwnersEvidence, ...] = ()
    paths: tuple[PathMtuEvidence, ...] = ()
    identities: tuple[Identity, ...] = ()
    boot: BootEvidence | None = None
    system: SystemEvidence | None = None


class Evidence(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Everything one run saw: what is stored, and all that grading reads beside the plan and the limits."""

    vantage: Vantage
    started: str
    finished: str
    complete: bool
    site: SiteEvidence
    hosts: tuple[HostEvidence, ...]

    def crashes(self) -> list[Crash]:
        """Every bug of ours that a probe met, the site's first and then each host's."""
        return [*self.site.crashes, *(crash for host in self.hosts for crash in host.crashes)]
