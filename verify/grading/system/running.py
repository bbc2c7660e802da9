"""``system.clock``, ``system.service``, ``system.uptime`` and ``system.question``: what runs on the host, and since when."""

from __future__ import annotations

import re
from shlex import quote

from shared.addresses import is_address
from shared.findings import Finding, Grade, Measured
from shared.hostcommands import TIME_UNITS, own_topic
from shared.hostfacts import TimeSource, Unit
from shared.plan import OwnQuestion
from shared.quantities import show_seconds
from shared.times import read_time
from verify.grading.case import in_words
from verify.grading.clock.mends import only_these, see_names, why_none_selected
from verify.grading.machines import listed
from verify.grading.system.units import RUNS, STANDS, at_boot, calls, falls_over, starters
from verify.grading.system.word import Word

#: A time service has settled on a source by then (common practice, no source).
SETTLED_SECONDS = 15 * 60.0
#: A source that is asked was heard within as many poll intervals, or its answers stay away (common practice, no source).
_POLLS_HEARD = 3
#: How much of a line a regular expression of the plan is tried on, and of an output is shown (our own bounds).
_LINE_CHARACTERS, _SHOWN_CHARACTERS = 1000, 200
#: The most failed units that get a line to type (our own bound).
_MENDED = 8


def grade(word: Word) -> list[Finding]:
    """All findings of this file for one host."""
    return [*_clock(word), *_services(word), _uptime(word),
            *(_question(word, question) for question in word.case.plan.questions_for(word.host))]


# --- its time service


def _clock(word: Word) -> list[Finding]:
    planned = [source.label for source in word.case.plan.time_sources]
    return [_time_service(word), *([_time_sources(word), _selected(word)] if planned else [])]


def _time_service(word: Word) -> Finding:
    """Exactly one time service runs, and starts at boot."""
    planned, topic, name = "one time service, running and started at boot", "time services", word.host.fqdn
    if word.facts.time_units is None:
        return word.unread("system.clock", "service", topic, planned=planned)
    # The same unit may answer to several names.
    units = {unit.name: unit for unit in word.facts.time_units if unit.load == "loaded"}
    running = _running(word)
    masked = dict.fromkeys(unit.name for unit in word.facts.time_units if unit.load == "masked")
    found = ", ".join([*map(_told, units.values()), *(f"{name} masked" for name in masked)]) or "none installed"

    def finding(grade_: Grade, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return word.finding("system.clock", "service", grade_, planned=planned, found=found, message=message, symptom=symptom,
                            fix=fix, topic=topic)

    if not units:
        return finding(Grade.FAIL, f"{name} has none of the time services that are known here ({', '.join(TIME_UNITS)}).", "none",
                       ("apt-get install chrony    # or what the distribution of the host calls it",
                        *(f"systemctl unmask {one}; systemctl enable --now {one}    # or this, if its package is still installed"
                          for one in map(quote, masked))))
    if not running:
        first = next((unit for unit in units.values() if at_boot(unit)), next(iter(units.values())))
        if first.active not in STANDS and not falls_over(first):
            return finding(Grade.UNPROVEN, f"The time service of {name} does not run yet: {_told(first)}.", "starting")
        return finding(Grade.FAIL, f"No time service runs on {name}, so nothing keeps its clock right: {found}.", "stopped",
                       (f"systemctl enable --now {quote(first.name)}",
                        f"journalctl -b -u {quote(first.name)}    # why it does not run"))
    if len(running) > 1:
        kept, *others = running
        return finding(Grade.FAIL, f"{len(running)} time services run on {name} and pull at one clock: "
                       f"{', '.join(unit.name for unit in running)}.", "several",
                       tuple(f"systemctl disable --now {quote(unit.name)}    # and keep {kept.name}, or the other way round"
                             for unit in others))
    (unit,) = running
    stays = at_boot(unit)
    if stays is None:
        return finding(Grade.UNPROVEN, f"{unit.name} keeps the clock of {name} right; whether it starts at boot is not known: it "
                       f"is {unit.enabled or 'not set'}, and {starters(unit)}.", "boot-unknown")
    if not stays:
        return finding(Grade.CAUTION, f"{unit.name} keeps the clock of {name} right, and will not after the next boot: it is "
                       f"{unit.enabled or 'not set'} to start.", "not-at-boot", (f"systemctl enable {quote(unit.name)}",))
    return finding(Grade.PASS, f"{unit.name} runs on {name} and starts at boot; no second one disturbs it.")


def _time_sources(word: Word) -> Finding:
    """The service asks the planned sources."""
    wanted = {source.label: _addresses_of(word, source.label, source.host) for source in word.case.plan.time_sources}
    planned, name, sources = ", ".join(wanted), word.host.fqdn, word.facts.time_sources
    if sources is None:
        return word.unread("system.clock", "sources", "time sources", planned=planned)
    asked = [source.address for source in sources if source.address]
    lost = len(sources) - len(asked)
    by_name = f"{lost} by name for which it found no address"
    found = ", ".join(asked) or (by_name if lost else "none")

    def finding(grade_: Grade, message: str, symptom: str = "") -> Finding:
        lines = only_these(_service_name(word), word.case.plan.time_sources)
        fix = (*(see_names(_service_name(word)) if lost and symptom != "others" else ()), *lines) if symptom else ()
        return word.finding("system.clock", "sources", grade_, planned=planned, found=found, message=message, symptom=symptom,
                            fix=fix, topic="time sources")

    if not asked and lost:
        return finding(Grade.FAIL, f"The time service of {name} asks nobody: it has {by_name}.", "no-address")
    if not asked:
        return finding(Grade.FAIL, f"The time service of {name} runs without a single source.", "no-source")
    missing = [label for label, names in wanted.items() if not names & set(asked)]
    others = [address for address in asked if not any(address in names for names in wanted.values())]
    hosts = {source.label: source.host for source in word.case.plan.time_sources}
    unheard = [label for label in missing if wanted[label] == {hosts[label]} and not is_address(hosts[label])]
    if unheard and len(unheard) == len(missing) and others:
        return word.finding(
            "system.clock", "sources", Grade.UNPROVEN, planned=planned, found=found, topic="time sources", symptom="names",
            message=f"{name} asks {found}; whether these are {', '.join(unheard)} is not known, as the planned name servers "
            "gave no address for it.")
    if missing:
        more = f", and has {by_name}" if lost else ""
        return finding(Grade.FAIL, f"The time service of {name} does not ask {', '.join(missing)}; it asks {found}{more}.",
                       "missing")
    if others:
        return finding(Grade.CAUTION, f"The time service of {name} asks the planned sources, and besides {', '.join(others)}.",
                       "others")
    return finding(Grade.PASS, f"The time service of {name} asks the planned sources and no others.")


def _selected(word: Word) -> Finding:
    """It has chosen one of them to follow."""
    planned, name, sources = "one source selected", word.host.fqdn, word.facts.time_sources
    if sources is None:
        return word.unread("system.clock", "selected", "time sources", planned=planned)
    chosen = [source.address for source in sources if source.selected]
    late = next((source for source in sources if source.selected and _is_late(word, source)), None)
    if late is not None:
        return word.finding(
            "system.clock", "selected", Grade.UNPROVEN, planned=planned, found=f"{late.address}, last heard at {late.heard_at}",
            topic="time sources", symptom="not-heard",
            message=f"The time service of {name} asks {late.address}, and by the host's own clock heard a source last at "
            f"{late.heard_at}, which is more than {_POLLS_HEARD} of its polls ago: its sources do not answer any more, or that "
            "clock and the runner's differ.")
    if chosen:
        return word.finding("system.clock", "selected", Grade.PASS, planned=planned, found=", ".join(chosen),
                            topic="time sources", message=f"The time service of {name} follows {', '.join(chosen)}.")
    early, since = _since(word)
    heard = _heard(sources)
    unheard = any(source.address for source in sources) and not any(source.reachable for source in sources)
    return word.finding(
        "system.clock", "selected", Grade.CAUTION if early else Grade.FAIL, planned=planned, found="none", topic="time sources",
        symptom="none-heard" if unheard else "none-selected",
        message=f"The time service of {name} follows no source {since}: {heard}.",
        fix=(*why_none_selected(_service_name(word)),
             *(("# it may still be settling: verify again in a quarter of an hour",) if early else ())))


def _since(word: Word) -> tuple[bool, str]:
    """Whether the time service may still be settling, and how long after what it was asked: the boot, or its own later start."""
    uptime = word.facts.uptime_seconds
    if uptime is None:
        return False, "at an unknown time after the boot"
    running = _running(word)
    began = running[0].began_seconds if len(running) == 1 else None
    runs = uptime - began if began is not None else uptime
    if uptime >= SETTLED_SECONDS and 0 <= runs < SETTLED_SECONDS:
        return True, f"{show_seconds(runs)} after it was started"
    return uptime < SETTLED_SECONDS, f"{show_seconds(uptime)} after the boot"


def _running(word: Word) -> list[Unit]:
    """The time services that run; the same unit may answer to several names."""
    units = {unit.name: unit for unit in word.facts.time_units or () if unit.load == "loaded" and unit.active in RUNS}
    return list(units.values())


def _service_name(word: Word) -> str:
    """The unit of the one time service that runs; empty where that is not known, or where there are several."""
    running = _running(word)
    return running[0].name if len(running) == 1 else ""


def _is_late(word: Word, source: TimeSource) -> bool:
    asked, heard = (read_time(at) for at in (_asked_at(word), source.heard_at))
    if asked is None or heard is None or source.poll_seconds is None:
        return False
    return (asked - heard).total_seconds() > _POLLS_HEARD * source.poll_seconds


def _asked_at(word: Word) -> str:
    return next((answer.at for answer in reversed(word.answers(("time sources",)))), "")


def _heard(sources: tuple[TimeSource, ...]) -> str:
    reached = [source.address for source in sources if source.reachable]
    if reached:
        return f"it hears {', '.join(reached)} and believes none"
    if sources and not any(source.address for source in sources):
        return "it has sources by name only, and no address for any"
    # By a name, and not by that of a reference clock, such as SHM(0).
    sought = [source.address for source in sources
              if source.reachable is False and "." in source.address and not is_address(source.address)]
    if sought:
        return f"it has found no address for {', '.join(sought)}, so the host's resolver is to be mended first"
    return "it hears none of its sources, so the way to them or their answers are barred" if sources else "it has none"


def _addresses_of(word: Word, label: str, host: str) -> set[str]:
    """A planned source as the host may name it: as planned, or by the address that the planned name servers gave the runner."""
    seen = (clock.address for clock in word.case.evidence.site.clocks if clock.server == label and clock.address)
    return {host, *seen}


# --- services


def _services(word: Word) -> list[Finding]:
    """Every planned service runs and starts at boot; nothing else failed."""
    role = word.case.plan.role(word.host.role)
    services = role.services if role else ()
    units = {unit.asked: unit for unit in word.facts.units or () if unit.asked}
    found = [_service(word, service, units.get(service), word.facts.sockets or ()) for service in services]
    return [*found, _failed(word, {unit.name for unit in units.values()})]


def _service(word: Word, service: str, unit: Unit | None, sockets: tuple[Unit, ...]) -> Finding:
    planned, name = "running, and started at boot", word.host.fqdn
    if unit is None:
        return word.unread("system.service", service, "services", planned=planned)

    def finding(grade_: Grade, message: str, symptom: str = "", fix: tuple[str, ...] = ()) -> Finding:
        return word.finding("system.service", service, grade_, planned=planned, found=_told(unit), message=message,
                            symptom=symptom, fix=fix, topic="services")

    if unit.load == "masked":
        return finding(Grade.FAIL, f"The service {service} is masked on {name}, so that nothing can start it.", "masked",
                       (f"systemctl unmask {quote(unit.name)}", f"systemctl enable --now {quote(unit.name)}"))
    if unit.load != "loaded":
        return finding(Grade.FAIL, f"{name} has no service {service}: its unit is {unit.load or 'not there'}.", "not-installed",
                       (f"systemctl status {service}", "# install it, or correct the name in the plan"))
    socket = calls(unit, sockets)
    if socket and unit.active == "inactive":
        return finding(Grade.PASS, f"The service {service} waits on {name} to be called: {socket.name} listens for it and starts "
                       "at boot.")
    if falls_over(unit):
        return finding(Grade.FAIL, f"The service {service} falls over on {name} and is started again and again.", "falls-over",
                       (f"journalctl -b -u {quote(unit.name)}    # why",))
    if unit.active not in RUNS | STANDS:
        return finding(Grade.UNPROVEN, f"Whether the service {service} comes up on {name} is not known: it is {unit.active} "
                       f"({unit.sub or 'no more is said'}).", "starting")
    if unit.active == "inactive" and unit.triggered_by:
        return finding(Grade.UNPROVEN, f"The service {service} does not run on {name} just now; {starters(unit)}, and whether "
                       "that is due was not asked.  The plan may name it in the place of the service.", "triggered")
    if unit.active not in RUNS:
        word_for = "failed" if unit.active == "failed" else "does not run"
        return finding(Grade.FAIL, f"The service {service} {word_for} on {name}.", unit.active or "stopped",
                       (f"journalctl -b -u {quote(unit.name)}    # why", f"systemctl enable --now {quote(unit.name)}"))
    stays = at_boot(unit, sockets)
    if stays is None:
        return finding(Grade.UNPROVEN, f"The service {service} runs on {name}; whether it starts at boot is not known: it is "
                       f"{unit.enabled or 'not set'}, and {starters(unit)}.", "boot-unknown")
    if not stays:
        return finding(Grade.FAIL, f"The service {service} runs on {name} and will be gone after the next boot: it is "
                       f"{unit.enabled or 'not set'} to start.", "not-at-boot", (f"systemctl enable {quote(unit.name)}",))
    return finding(Grade.PASS, f"The service {service} runs on {name} and starts at boot.")


def _failed(word: Word, planned_units: set[str]) -> Finding:
    planned, failed = "none", word.facts.failed_units
    if failed is None:
        return word.unread("system.service", "failed units", "failed units", planned=planned)
    others = [unit for unit in failed if unit not in planned_units]
    if not others:
        return word.finding("system.service", "failed units", Grade.PASS, planned=planned, found="none", topic="failed units",
                            message=f"Nothing else that {word.host.fqdn} started has failed.")
    told = listed(others, len(others))
    return word.finding(
        "system.service", "failed units", Grade.CAUTION, planned=planned, found=told, topic="failed units", symptom="failed",
        message=f"On {word.host.fqdn} these units failed, which the plan does not name: {told}.",
        fix=(*(f"journalctl -b -u {quote(unit)}" for unit in others[:_MENDED]),
             '# "cannot assign requested address" there means that it started before the network was up'))


def _told(unit: Unit) -> str:
    return f"{unit.name} {unit.active or 'unknown'}, {unit.enabled or 'not set'} at boot"


# --- the boot, and the site's own


def _uptime(word: Word) -> Finding:
    """Known for how long the host runs, and which boot this is: what later runs are compared with."""
    planned, uptime, boot = "known", word.facts.uptime_seconds, word.facts.boot_id
    if uptime is None or not boot:
        return word.unread("system.uptime", "boot", "uptime" if uptime is None else "boot", planned=planned)
    return word.finding(
        "system.uptime", "boot", Grade.PASS, planned=planned, found=f"{show_seconds(uptime)}, boot {boot[:8]}", topic="uptime",
        measured=Measured(uptime, 0.0, "s"),
        message=f"{word.host.fqdn} had been running for {show_seconds(uptime)}, in the boot {boot[:8]}.")


def _question(word: Word, question: OwnQuestion) -> Finding:
    """Whether a command of the site's own printed what its author expects."""
    topic = own_topic(question.name)
    planned = f'"{question.expect}"' if question.expect is not None else f'a line that matches "{question.matches}"'
    answer = next(iter(word.answers((topic,))), None)
    if answer is None or answer.failure:
        why = in_words(answer.failure) if answer and answer.failure else word.why_unread((topic,))
        return word.finding(
            "system.question", question.name, Grade.UNPROVEN, planned=planned, found="no answer", topic=topic, symptom="unread",
            message=f'"{question.command}" on {word.host.fqdn} gave no answer to the question {question.name}: {why}.')
    said = answer.output.strip()
    found = f'"{said[:_SHOWN_CHARACTERS]}"' + (f", exit status {answer.status}" if answer.status else "")
    if _fits(question, said):
        return word.finding("system.question", question.name, Grade.PASS, planned=planned, found=found, topic=topic,
                            message=f'"{question.command}" on {word.host.fqdn} printed what the plan expects.')
    if answer.cut:
        return word.finding(
            "system.question", question.name, Grade.UNPROVEN, planned=planned, found=found, topic=topic, symptom="too-long",
            message=f'"{question.command}" on {word.host.fqdn} printed more than is read, and what the plan expects was not in '
            "the part that was.")
    return word.finding(
        "system.question", question.name, Grade.FAIL, planned=planned, found=found, topic=topic, symptom="other-answer",
        message=f'"{question.command}" on {word.host.fqdn} printed {" ".join(found.split())}; the plan expects {planned}.',
        fix=(f"{question.command}    # on {word.host.fqdn}; must print {planned}",))


def _fits(question: OwnQuestion, said: str) -> bool:
    if question.matches is None:
        return said == (question.expect or "").strip()
    return any(re.search(question.matches, line[:_LINE_CHARACTERS]) for line in said.splitlines() or [""])
