"""Waits for hosts to come back from a reboot and then verifies them: what ``await`` does between its options and its report."""

from __future__ import annotations

import functools
import socket
from collections.abc import Callable, Sequence

import msgspec

from probes.hostword import LoginPool
from probes.seam import Network, now
from probes.vantage import look_around
from shared.boots import BootEvidence
from shared.evidence import Evidence, HostEvidence, SiteEvidence
from shared.plan import Host
from shared.run import Report
from verify import trial
from verify.assembly import assemble, judging_day
from verify.reboots import bootmark, reboot
from verify.reboots.reboot import Watched
from verify.reboots.watch import Event, HostWatch, Rules
from verify.trial import Prepared


class Wait(msgspec.Struct, frozen=True, kw_only=True):
    """How to wait.  ``timeout_seconds`` bounds the wait for all hosts together, however many never return."""

    rules: Rules = Rules()
    timeout_seconds: float = 1800.0


def watch(
    prepared: Prepared, wait: Wait, on_event: Callable[[Event], None], on_start: Callable[[Sequence[HostWatch]], None]
) -> tuple[Watched, Evidence]:
    """Follow every host of a prepared trial; what was seen, and the same as a run in which nothing else was asked."""
    chosen = _chosen(prepared)

    async def work(network: Network) -> tuple[Watched, Evidence]:
        began = now(network)
        vantage = look_around(network, name=socket.gethostname(), footholds=prepared.questions.networks)
        # A round is hurried, so that the next one is not late; a login is none of its signs and has all its time.
        logins = LoginPool(prepared.questions.pace.timeout_seconds)
        try:
            watched = await reboot.watch(
                network, prepared.plan, chosen, wait.rules, timeout_seconds=wait.timeout_seconds, on_event=on_event,
                on_start=on_start, ask_mark=functools.partial(bootmark.ask, logins, network, prepared.plan))
        finally:
            logins.close()
        alone = Evidence(vantage=vantage, started=began, finished=now(network), complete=False, site=SiteEvidence(),
                         hosts=tuple(HostEvidence(fqdn=host.fqdn, complete=False) for host in chosen))
        return watched, with_boots(alone, watched)

    return trial.on_network(reboot.watch_pace(prepared.questions.pace, wait.rules), work)


def verify(prepared: Prepared, watched: Watched, began: str, on_host: Callable[[HostEvidence], None]) -> Report:
    """Verify the hosts as they are now, and report that together with what the watch saw since ``began``."""
    evidence = with_boots(trial.probe(prepared.questions, on_host, processes=prepared.workers), watched)
    return report(prepared, msgspec.structs.replace(evidence, started=began))


def report(prepared: Prepared, evidence: Evidence) -> Report:
    """Grade and lay out; of an interrupted watch, what there is."""
    return assemble(prepared.plan, evidence, prepared.limits, prepared.request, today=judging_day(evidence.finished),
                    checks=prepared.checks)


def with_boots(evidence: Evidence, watched: Watched) -> Evidence:
    """The evidence with what the watch saw put to each host.

    A host that could not be asked for its boot at the end of the watch may have said it in the verification after it.
    """
    return msgspec.structs.replace(evidence, hosts=tuple(
        msgspec.structs.replace(host, boot=_with_mark(watched.boots.get(host.fqdn), host),
                                crashes=(*watched.crashes.get(host.fqdn, ()), *host.crashes))
        for host in evidence.hosts))


def _with_mark(boot: BootEvidence | None, host: HostEvidence) -> BootEvidence | None:
    if boot is None or boot.after is not None:
        return boot
    return msgspec.structs.replace(boot, after=bootmark.mark_of(host.system))


def _chosen(prepared: Prepared) -> tuple[Host, ...]:
    asked = {questions.fqdn for questions in prepared.questions.hosts}
    return tuple(host for host in prepared.plan.hosts if host.fqdn in asked)
