"""One trial, from a plan to a report: what ``verify``, ``demo`` and every later probing command have in common."""

from __future__ import annotations

import asyncio
import datetime
import resource
import secrets
import signal
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

import msgspec

from probes.seam import Network
from probes.sockets import SocketNetwork
from shared.evidence import Evidence, HostEvidence
from shared.findings import Finding
from shared.plan import Plan
from shared.quantities import Limits
from shared.questions import Itinerary, Pace
from shared.run import Report
from verify import itinerary, lostterminal, runner, workers
from verify.assembly import Request, assemble, judging_day
from verify.errors import PlanError
from verify.lint import lint
from verify.planfile.profiles import limits_in_force
from verify.selection import choose_checks, choose_hosts

T = TypeVar("T")

#: Descriptors left for everything that is not a connection: files, the event loop, the shared sockets.
_RESERVED_DESCRIPTORS = 64


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """What to try and how, as the command line asks for it.  No ``workers`` leaves it to the pace and the machine how many."""

    hosts: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    profile: str | None = None
    pace: Pace = Pace()
    kind: str = "verify"
    operator: str = ""
    reason: str = ""
    ticket: str = ""
    reviewer: str = ""
    command: str = ""
    workers: int = 0


def today() -> datetime.date:
    """The day in UTC: what a plan's waivers are judged by before any run."""
    return datetime.datetime.now(datetime.UTC).date()


def new_run_id() -> str:
    """A run's name: when it began, to the second, and four random characters for two that begin together."""
    return f"{datetime.datetime.now(datetime.UTC):%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}"


def stopping_faults(plan: Plan) -> tuple[Finding, ...]:
    """The faults of a plan that make probing meaningless."""
    linted = lint(plan, today=today())
    return tuple(finding for finding in linted.findings if finding.ref in linted.stops)


class Prepared(msgspec.Struct, frozen=True, kw_only=True):
    """A trial that is known to be possible: everything that can be refused has been, and nothing has been sent."""

    plan: Plan
    questions: Itinerary
    limits: dict[str, Limits]
    checks: frozenset[str]
    request: Request
    workers: int = 0


def prepare(plan: Plan, trial: Trial) -> Prepared:
    """Choose hosts, checks and limits, and draw up the questions.

    Raises UsageError for hosts or checks that are not there, PlanError for limits that cannot be used or for a plan that
    makes probing meaningless.
    """
    chosen = choose_hosts(plan, trial.hosts)
    checks = choose_checks(trial.checks)
    limits = limits_in_force(plan, trial.profile)
    faults = stopping_faults(plan)
    if faults:
        raise PlanError(*(fault.message for fault in faults))
    questions = itinerary.draw_up(plan, pace=within_descriptors(trial.pace), sibling=f"seatrial-{secrets.token_hex(6)}",
                                  chosen=chosen, checks=checks)
    request = Request(run_id=new_run_id(), kind=trial.kind, operator=trial.operator, reason=trial.reason,
                      ticket=trial.ticket, reviewer=trial.reviewer, profile=trial.profile or plan.profile,
                      command=trial.command)
    return Prepared(plan=plan, questions=questions, limits=limits, checks=checks, request=request,
                    workers=trial.workers)


def conduct(prepared: Prepared, on_host: Callable[[HostEvidence], None] = lambda _host: None) -> Report:
    """Probe, grade and report.  An interrupt ends the probing and gives the report of what was seen until then."""
    evidence = probe(prepared.questions, on_host, processes=prepared.workers)
    return assemble(prepared.plan, evidence, prepared.limits, prepared.request, today=judging_day(evidence.finished),
                    checks=prepared.checks)


def probe(
    questions: Itinerary, on_host: Callable[[HostEvidence], None] = lambda _host: None, *, processes: int = 0
) -> Evidence:
    """Answer an itinerary from this machine, with so many processes or else as many as are of use (``workers.how_many``)."""
    count = processes or workers.how_many(questions)
    return _answer(questions, on_host) if count == 1 else workers.gather(questions, count, _answer, on_host)


def _answer(questions: Itinerary, on_host: Callable[[HostEvidence], None]) -> Evidence:
    return on_network(questions.pace, lambda network: runner.gather(questions, network, on_host))


def on_network(pace: Pace, work: Callable[[Network], Awaitable[T]]) -> T:
    """Do ``work`` on the real network at this pace.  The one place where an event loop is started.

    Ctrl-C, a polite termination and a lost terminal cancel the work, which then returns what it has.  More of them change
    nothing: who presses twice wants it to end, and it is ending.
    """
    came: list[T] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, *workers.polite_signals())}

    async def answer() -> None:
        task = asyncio.current_task()
        assert task is not None
        ending = False

        def end(number: int) -> None:
            nonlocal ending
            if number == signal.SIGHUP:
                lostterminal.forsake()
            if not ending:
                ending = True
                task.cancel()

        for number, handler in before.items():
            if handler is not signal.SIG_IGN:
                asyncio.get_running_loop().add_signal_handler(number, end, number)
        async with SocketNetwork(pace) as network:
            # Kept here and not returned: in the end asyncio makes a text of what its task returned, and that of a large fleet's
            # evidence takes a few percent of the whole time and much memory (signal.getsignal in asyncio.Runner, Python 3.11).
            came.append(await work(network))

    try:
        asyncio.run(answer())
    finally:
        # The loop leaves the usual ones behind; whoever put off an interrupt before goes on doing so.
        for number, handler in before.items():
            signal.signal(number, handler)
    return came[0]


def within_descriptors(pace: Pace) -> Pace:
    """The pace with its hosts and connections bounded by the descriptors this process may open, after asking for all."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != hard:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
            soft = hard
        except (ValueError, OSError):
            pass
    room = pace.connections if soft == resource.RLIM_INFINITY else soft - _RESERVED_DESCRIPTORS
    return msgspec.structs.replace(pace, connections=max(8, min(pace.connections, room)),
                                   hosts=max(1, min(pace.hosts, room // runner.CONNECTIONS_A_HOST)))


def report_stem(plan_file: str, report: Report) -> str:
    """The name, without its ending, of a report's files: the plan's name and the run."""
    return f"{Path(plan_file).stem}-{report.run.id}"
