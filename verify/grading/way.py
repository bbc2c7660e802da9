"""What the way to many hosts does to packets, as far as their losses show it: counted over all hosts, by kind of question.

One host that loses packets may have a bad cable.  Where nearly as many of a network's hosts lose some as would if all had the
same share of them, echoes as well as questions over TCP and NTP, what they share is the likely cause: the way there, or a runner
that asks too fast for it.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

import msgspec

from shared.evidence import EchoEvidence, HostEvidence, NameAnswer, PortEvidence, PortState
from verify.grading.bursts import limits_echoes
from verify.grading.case import Case
from verify.grading.life import SYN_AGAIN_SECONDS, answered, unlost_exchanges

#: The fewest hosts of a network that can show that losses are shared, and how many of those that would lose something if all had
#: the same share of the losses have to lose some.  Ours: where loss was the same for all, 85 of 100 did and more; with losses at
#: one host in 20, 15.
FEWEST_HOSTS, SHARE_OF_EXPECTED = 5, 0.75
#: How likely it may be that, of all the hosts, one meets by chance what is then no longer put down to the way.  Ours.
_CHANCE = 0.05
#: What a port says of itself.
_ANSWERS = (PortState.OPEN, PortState.REFUSED)
Lost = tuple[int, int]
"""How many packets of how many brought no answer."""


@dataclass(frozen=True, slots=True)
class Way:
    """What the way to the networks of which the hosts share losses does to packets.

    ``hosts`` are all of these networks but those that lose far more than the others, which have a fault of their own.
    ``answering`` hosts answered anything, and ``losing`` of them lost something.
    ``ratios`` is what is lost by kind of question, and ``usual`` what a host loses that is worse off than three quarters of all.
    ``servers`` holds what is lost of the questions to each name server that answers any.
    """

    networks: tuple[str, ...]
    hosts: frozenset[str]
    answering: int
    losing: int
    total: Lost
    ratios: dict[str, float]
    usual: float
    servers: dict[str, Lost]

    @property
    def servers_lose(self) -> bool:
        """Whether the name servers lose as well, half as much at least and surely: then all that is asked does."""
        return bounds(add(self.servers.values()))[0] > ratio(self.total) / 2

    def loses(self, kind: str, lost: int, sent: int) -> bool:
        """Whether this way may well lose at least ``lost`` of ``sent`` packets of one host."""
        return _at_least(lost, sent, max(self.usual, self.ratios.get(kind, 0.0))) >= _CHANCE / self.answering


def measure(case: Case) -> Way | None:
    """What is lost on the way to the networks whose hosts share losses; None where no network's hosts do.

    Hosts that answered nothing are not counted: they may be off.
    """
    network_of = {host.fqdn: host.network for host in case.plan.hosts}
    by_network: dict[str, dict[str, dict[str, Lost]]] = defaultdict(dict)
    for seen in case.evidence.hosts:
        tally = _tally(seen)
        if seen.fqdn in network_of and add(tally.values())[1]:
            by_network[network_of[seen.fqdn]][seen.fqdn] = tally
    shared = {network: tallies for network, tallies in by_network.items() if _is_shared(case, list(tallies.values()))}
    if not shared:
        return None
    totals = {name: add(tally.values()) for tallies in shared.values() for name, tally in tallies.items()}
    tallies = [tally for tallies in shared.values() for tally in tallies.values()]
    kinds = {kind: add(tally.get(kind, (0, 0)) for tally in tallies) for kind in ("echo", "connection", "time")}
    way = Way(
        networks=tuple(shared), hosts=frozenset(name for name, network in network_of.items() if network in shared),
        answering=len(totals), losing=sum(lost > 0 for lost, _sent in totals.values()), total=add(totals.values()),
        ratios={kind: ratio(of) for kind, of in kinds.items()}, usual=statistics.quantiles(map(ratio, totals.values()), n=4)[2],
        servers=_name_servers(case))
    return replace(way, hosts=way.hosts - {name for name, total in totals.items() if not way.loses("", *total)})


def _tally(seen: HostEvidence) -> dict[str, Lost]:
    """What one host lost by kind of question, of those that it answers: silence of a port may be a filter's."""
    echoes = [of_echo(echo) for echo in seen.echoes if answered(echo)]
    ports = [of_port(port) for port in seen.ports if port.state in _ANSWERS]
    clocks = [(clock.asked - len(clock.samples) - len(clock.discarded), clock.asked) for clock in seen.clocks if clock.samples]
    return {"echo": add(echoes), "connection": add(ports), "time": add(clocks)}


def lost_of(seen: HostEvidence, address: str) -> Lost:
    """What one address lost of all that it answers; without its echoes where these alone are lost, as something limits them."""
    own = msgspec.structs.replace(
        seen, echoes=tuple(echo for echo in seen.echoes if echo.address == address),
        ports=tuple(port for port in seen.ports if port.address == address and port.state in _ANSWERS),
        clocks=tuple(clock for clock in seen.clocks if clock.address == address))
    tally = _tally(own)
    if limits_echoes(*tally["echo"], unlost_exchanges(own, address)):
        del tally["echo"]
    return add(tally.values())


def of_echo(echo: EchoEvidence) -> Lost:
    """The echoes of a burst that are counted."""
    return echo.round_trips_seconds.count(None), len(echo.round_trips_seconds)


def of_port(port: PortEvidence) -> Lost:
    """The SYNs of a port that answered one of them, and of the second connection to it that needed no more than one."""
    again = port.attempts - 1 + port.syn_repeats
    return again, again + 1 + port.at_once_again


def syns_of(port: PortEvidence) -> int:
    """The SYNs of a port that stayed silent: an attempt of a second or more holds two (see probes/ports.py)."""
    return port.attempts * (2 if port.elapsed_seconds >= port.attempts * SYN_AGAIN_SECONDS else 1)


def _is_shared(case: Case, tallies: list[dict[str, Lost]]) -> bool:
    """Whether hosts lose something all over, and the loss of echoes is above its limit, and that of the rest too.

    Both surely.  A limit on echoes at every host loses nothing else, and a full queue of connections loses no echo.
    """
    totals = [add(tally.values()) for tally in tallies]
    kept = 1 - ratio(add(totals))
    expected = sum(1 - kept**sent for _lost, sent in totals)
    losing = sum(lost > 0 for lost, _sent in totals)
    if len(tallies) < FEWEST_HOSTS or losing < SHARE_OF_EXPECTED * expected:
        return False
    limits = case.limits["shared_loss"]
    bound = limits.fail if limits.caution is None else limits.caution
    echoes = add(tally["echo"] for tally in tallies)
    others = add(lost for tally in tallies for kind, lost in tally.items() if kind != "echo")
    return bound is not None and all(bounds(lost)[0] > bound for lost in (echoes, others))


def _name_servers(case: Case) -> dict[str, Lost]:
    """What was lost of the questions to each planned name server that answered any."""
    heard: dict[str, list[NameAnswer]] = defaultdict(list)
    for answer in (*case.evidence.site.names, *(answer for seen in case.evidence.hosts for answer in seen.names)):
        heard[answer.server].append(answer)
    return {server: add((answer.tries - bool(answer.rcode), answer.tries) for answer in answers)
            for server, answers in heard.items() if any(answer.rcode for answer in answers)}


# --- counting


def add(parts: Iterable[Lost]) -> Lost:
    """All of them together."""
    lost = sent = 0
    for part in parts:
        lost, sent = lost + part[0], sent + part[1]
    return lost, sent


def ratio(of: Lost) -> float:
    """What is lost of one packet on average; 0 where there was none."""
    return of[0] / of[1] if of[1] else 0.0


def bounds(of: Lost) -> tuple[float, float]:
    """The lowest and the highest ratio that a count is good for: E. B. Wilson's score interval (1927), 95 %."""
    lost, sent = of
    if not sent:
        return 0.0, 1.0
    z, share = 1.96, lost / sent
    middle, half = share + z * z / (2 * sent), z * math.sqrt(share * (1 - share) / sent + z * z / (4 * sent * sent))
    return max(0.0, (middle - half) / (1 + z * z / sent)), min(1.0, (middle + half) / (1 + z * z / sent))


def _at_least(lost: int, sent: int, share: float) -> float:
    """How likely at least ``lost`` of ``sent`` packets are lost where each is with the same likelihood."""
    if lost <= 0 or share >= 1.0:
        return 1.0
    if share <= 0.0:
        return 0.0
    return sum(math.exp(math.lgamma(sent + 1) - math.lgamma(count + 1) - math.lgamma(sent - count + 1)
                        + count * math.log(share) + (sent - count) * math.log1p(-share)) for count in range(lost, sent + 1))
