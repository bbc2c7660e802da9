"""Signs of life: what proves that something is running at an address, and what only suggests it.

An unanswered echo alone says little, since filters are common.  A reset suggests a living host, but any firewall on the
way can send one in its name.
"""

from __future__ import annotations

from dataclasses import dataclass

from shared.evidence import ClockEvidence, EchoEvidence, FailureKind, HostEvidence, PortEvidence, PortState

#: What a filter says of a packet, as against a router that finds no way or no host (probes.failures holds the codes).
FORBIDDEN = (FailureKind.PROHIBITED, FailureKind.REFUSED)

#: Why a burst of echoes went unanswered by the address itself although it was sent and nothing forbade it.
_UNANSWERED = (FailureKind.NO_ANSWER, FailureKind.UNREACHABLE, FailureKind.NO_PATH, FailureKind.MISMATCHED)


#: What systems begin the hop limit with: common practice, no source (64 is the registry's advice).
_FIRST_HOP_LIMITS = (32, 64, 128, 255)


@dataclass(frozen=True, slots=True)
class Life:
    """The signs of life of one address, in words.

    ``sure`` could only come from the address itself; ``unsure`` could have been forged by a firewall.  ``echo_sent`` says
    that echoes went out and were not forbidden, so that their silence counts.  ``barred`` says that somebody on the way
    turned every connection back, so that the address itself was never asked.
    """

    sure: tuple[str, ...]
    unsure: tuple[str, ...]
    echo_sent: bool
    barred: bool = False

    @property
    def dead(self) -> bool:
        """Whether the address was asked, as far as can be told, and stayed without any answer."""
        return self.echo_sent and not self.sure and not self.unsure and not self.barred

    def told(self) -> str:
        """The signs in words: "443/tcp accepts, 22/tcp resets"; empty where there is none."""
        return ", ".join((*self.sure, *self.unsure))


def signs_of_life(evidence: HostEvidence, address: str) -> Life:
    """Every sign of life that one address of a host gave, in the order echo, ports, time."""
    echoes = [echo for echo in evidence.echoes if echo.address == address]
    ports = [port for port in evidence.ports if port.address == address]
    clocks = [clock for clock in evidence.clocks if clock.address == address]
    sure = [*(_of_echo(echo) for echo in echoes), *(_of_open(port) for port in ports), *(_of_clock(clock) for clock in clocks)]
    unsure = [*(_of_stray(echo) for echo in echoes), *(_of_refusal(port) for port in ports)]
    return Life(sure=tuple(filter(None, sure)), unsure=tuple(filter(None, unsure)), echo_sent=any(map(echo_counts, echoes)),
                barred=bool(ports) and all(map(_barred, ports)))


def echo_counts(echo: EchoEvidence) -> bool:
    """Whether the burst could have been answered: it was sent, and nobody on the way forbade it."""
    return echo.failure is None or echo.failure.kind in _UNANSWERED


def answered(echo: EchoEvidence) -> bool:
    """Whether any echo came back, the warm-up included."""
    return echo.warm_up_seconds is not None or any(trip is not None for trip in echo.round_trips_seconds)


def came_straight(evidence: HostEvidence, address: str) -> bool:
    """Whether an echo reply of the address had passed no router: its hop limit is one that systems begin with."""
    return any(echo.hop_limit in _FIRST_HOP_LIMITS for echo in evidence.echoes if echo.address == address)


def came_round(evidence: HostEvidence, address: str) -> bool:
    """Whether an echo reply of the address had passed one router: its hop limit is one less than systems begin with."""
    return any(echo.hop_limit is not None and echo.hop_limit + 1 in _FIRST_HOP_LIMITS
               for echo in evidence.echoes if echo.address == address)


#: No lost packet is sent again sooner, in seconds: a SYN (RFC 6298 section 2), and Linux's shortest wait for anything later
#: (TCP_RTO_MIN, from memory).
SYN_AGAIN_SECONDS, _DATA_AGAIN = 1.0, 0.2


def unlost_exchanges(evidence: HostEvidence, address: str) -> int:
    """How many questions of other kinds than echo an address answered at once; 0 where any of them needed a second packet.

    A connection is one, with the TLS or SSH spoken over it, and so is each NTP exchange.
    """
    ports = [port for port in evidence.ports if port.address == address]
    clocks = [clock for clock in evidence.clocks if clock.address == address]
    if (any(port.attempts > 1 or port.syn_repeats or port.elapsed_seconds >= SYN_AGAIN_SECONDS for port in ports)
            or any(len(clock.samples) < clock.asked for clock in clocks)):
        return 0
    spoken = [1 + len(tls.versions) for tls in evidence.tls if tls.address == address and tls.elapsed_seconds < _DATA_AGAIN]
    spoken += [1 + len(ssh.host_keys) for ssh in evidence.ssh if ssh.address == address and ssh.elapsed_seconds < _DATA_AGAIN]
    answered_ports = sum(port.state in (PortState.OPEN, PortState.REFUSED) for port in ports)
    return answered_ports + sum(len(clock.samples) for clock in clocks) + sum(spoken)


def _of_echo(echo: EchoEvidence) -> str:
    return "echo replies" if answered(echo) else ""


def _of_stray(echo: EchoEvidence) -> str:
    if echo.failure is None or answered(echo):
        return ""
    if echo.failure.kind is FailureKind.MISMATCHED:
        return "echo replies that match no request in time"
    return "echo is rejected by the address itself" if echo.failure.sender == echo.address else ""


def _of_open(port: PortEvidence) -> str:
    return f"{port.port} accepts" if port.state is PortState.OPEN else ""


def _of_clock(clock: ClockEvidence) -> str:
    return "NTP answers" if clock.samples or clock.kiss_code else ""


def _barred(port: PortEvidence) -> bool:
    """Whether a filter that is not the host turned the connection back."""
    failure = port.failure
    return (port.state is PortState.REJECTED and failure is not None and failure.kind in FORBIDDEN
            and failure.sender != port.address)


def _of_refusal(port: PortEvidence) -> str:
    if port.state is PortState.REFUSED:
        return f"{port.port} resets"
    rejected_itself = port.state is PortState.REJECTED and port.failure is not None and port.failure.sender == port.address
    return f"{port.port} is rejected by the address itself" if rejected_itself else ""
