"""Grades a reboot that was watched: silence, proof of a new boot, what came back when, and whether the same machine did."""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Iterable

import msgspec

from shared.boots import BootEvidence, Moment, Outage, Reading, Sign
from shared.evidence import HostEvidence
from shared.findings import Finding, Grade
from shared.plan import Host
from shared.quantities import Interval, show_seconds
from shared.times import read_time
from verify.grading.case import Case
from verify.grading.machines import listed
from verify.grading.outages import cut_short, settling_seconds, shared_with, span, too_short, way_was_open

#: Boot identifiers that a host gives without meaning any boot.
_NO_ID = ("", "00000000-0000-0000-0000-000000000000")
#: A host's own clock may be off when it says when it booted; only beyond this is "before the reboot was ordered" believed.
#: Two minutes: common practice, no source.
_CLOCK_DOUBT = datetime.timedelta(minutes=2)
_SUBJECT = "reboot"


def grade_host(case: Case, host: Host, evidence: HostEvidence) -> list[Finding]:
    """Every finding about one watched reboot; none where none was watched."""
    seen = evidence.boot
    if seen is None:
        return []
    return [
        *_down(case, host, seen), *_new(case, host, seen), *_up(case, host, seen), *_settled(case, host, seen),
        *_identity(case, host, seen),
    ]


def _down(case: Case, host: Host, seen: BootEvidence) -> Iterable[Finding]:
    """Was a whole silence seen?  Its absence is a fail only where the old boot is proven to be still running."""
    def finding(grade: Grade, found: str, message: str, fix: tuple[str, ...] = (), symptom: str = "") -> Finding:
        return case.finding(host.fqdn, "boot.down", _SUBJECT, grade, planned="no sign of life for a while", found=found,
                            message=message, fix=fix, symptom=symptom, at=seen.began)

    if seen.outages:
        first = seen.outages[0]
        times = "" if len(seen.outages) == 1 else f" It went down {len(seen.outages)} times in all."
        if not first.answered:
            yield finding(Grade.PASS, f"silent when the watch began, {_clock(first.silent)}",
                          f"{host.name} was silent already when the watch began; when it went down was not seen.{times}")
            return
        yield finding(Grade.PASS, f"silent from {_clock(first.silent)}",
                      f"{host.name} last answered at {_clock(first.answered)} and was silent from {_clock(first.silent)} "
                      f"on.{times}")
        return
    found, answering = _answering(seen)
    match _boot_changed(seen):
        case False:
            yield finding(
                Grade.FAIL, found, f"{host.name} never went down between {_clock(seen.began)} and {_clock(seen.ended)}: "
                "the boot from before is still running, so nothing that a reboot would change has been tried.",
                (f"reboot {host.name} and watch it:", _watch_again(case, host)), "old-boot")
        case True:
            yield finding(Grade.PASS, found, f"No silence of {host.name} was seen, but it runs a new boot: it was down before "
                          f"the watch began, {'while nobody looked, ' if seen.unwatched else ''}or for less than a round.")
        case None:
            why = f"The reboot was ordered at {_clock(seen.since)}, before the watch began." if seen.since else answering
            yield finding(Grade.UNPROVEN, found, f"{host.name} was not seen to go down. {why} Whether it rebooted cannot be told "
                          "from outside.", symptom="no-silence")


def _answering(seen: BootEvidence) -> tuple[str, str]:
    """How often a host that was never silent answered, in short and as a sentence, without what nobody looked at."""
    answered = seen.rounds if seen.answered_rounds is None else seen.answered_rounds
    if not answered:
        return "could not be asked", "The runner could not ask it in any round."
    often = f"in {'each of' if answered == seen.rounds else f'{answered} of'} {seen.rounds} rounds"
    rest = "" if answered == seen.rounds else "; in the others the runner could not ask"
    if seen.unwatched is None:
        return f"answered {often}", f"It answered {often}, {show_seconds(seen.round_seconds)} apart{rest}."
    last, following = seen.unwatched
    hole = show_seconds(span(following, last))
    why = f"For {hole} from {_clock(last)} on nobody looked: the runner stood still or could not ask. A reboot may lie there."
    return f"answered {often}, and nobody looked for {hole}", f"It answered {often}{rest}. {why}"


def _boot_changed(seen: BootEvidence) -> bool | None:
    """What the host itself says: True for a new boot, False for the old one, None where it does not say enough."""
    before, after = seen.before, seen.after
    if after is None:
        return None
    if before is not None and before.boot_id not in _NO_ID and after.boot_id not in _NO_ID:
        return before.boot_id != after.boot_id
    booted, ordered = read_time(after.booted), read_time(seen.since)
    if booted is None or ordered is None:
        return None
    if booted >= ordered:
        return True
    return False if booted < ordered - _CLOCK_DOUBT else None


def _new(case: Case, host: Host, seen: BootEvidence) -> Iterable[Finding]:
    """Is a new boot running?  The host's own word first; a silence that was seen is the weaker proof."""
    def finding(grade: Grade, found: str, message: str, fix: tuple[str, ...] = (), symptom: str = "") -> Finding:
        return case.finding(host.fqdn, "boot.new", _SUBJECT, grade, planned="a new boot", found=found, message=message, fix=fix,
                            symptom=symptom, at=seen.ended)

    changed, back = _boot_changed(seen), [outage for outage in seen.outages if outage.back]
    shared = {outage: shared_with(case, host, seen, outage) for outage in back} if changed is None else {}
    own_word = f"boot {seen.after.boot_id or 'of unknown name'}, begun {seen.after.booted or 'at a time not said'}" \
        if seen.after else ""
    if changed is True:
        yield finding(Grade.PASS, own_word, f"{host.name} says itself that it runs a new boot.")
    elif changed is False:
        yield finding(Grade.FAIL, own_word, f"{host.name} still runs the boot from before: its boot identifier has not changed, "
                      "or that boot began before the reboot was ordered.",
                      (f"on {host.name}, once this is running: systemctl reboot", _watch_again(case, host)), "old-boot")
    elif own := [outage for outage, others in shared.items() if not others]:
        lasted, proven = _lasted(seen, own[-1]), [outage for outage in own if way_was_open(case, host, seen, outage)]
        if not proven and case.evidence.vantage.on_link.get(host.network) is False:
            yield finding(Grade.UNPROVEN, f"silent {lasted}, then back, behind a router",
                          f"{host.name} was silent {lasted} and came back. A router stands between it and the runner, and one "
                          "that was down for as long looks the same: no service was seen to start, no other host of its network "
                          "was seen to answer meanwhile, and its boot identifier could not be compared.", symptom="lone-silence")
            return
        lasted = _lasted(seen, (proven or own)[-1])
        yield finding(Grade.PASS, f"silent {lasted}, then back", f"{host.name} was silent {lasted} and came back. That is the "
                      "weaker proof: a cut wire looks the same, and its boot identifier could not be compared.")
    elif back:
        lasted, others = _lasted(seen, back[-1]), shared[back[-1]]
        these = listed(others, len(others))
        yield finding(Grade.UNPROVEN, f"silent {lasted}, then back, together with {len(others)} more",
                      f"{host.name} was silent {lasted} and came back; so did {these}, in the "
                      "same moments, and no service of it was seen to start. A router or a wire that was down for as long "
                      "looks the same, and its boot identifier could not be compared.", symptom="shared-silence")
    elif seen.outages:
        yield finding(Grade.UNPROVEN, "not back", f"{host.name} had not come back by {_clock(seen.ended)}, so nothing is "
                      "known of its boot.", symptom="silent")
    else:
        yield finding(Grade.UNPROVEN, "no silence seen, no boot identifier", f"Nothing shows whether {host.name} runs a new "
                      "boot: no silence was seen, and its boot identifier could not be compared.", symptom="no-silence")


def _lasted(seen: BootEvidence, outage: Outage) -> str:
    """How long a silence was at least; of one round alone nothing is known but that there was one."""
    seconds = span(outage.still or outage.silent, outage.silent)
    return "in one round" if seconds < seen.round_seconds / 2 else f"for at least {show_seconds(seconds)}"


def _up(case: Case, host: Host, seen: BootEvidence) -> Iterable[Finding]:
    """One finding for each sign that must come back; a host that is gone altogether is one finding."""
    def finding(subject: str, grade: Grade, found: str, message: str, fix: tuple[str, ...] = (), symptom: str = "") -> Finding:
        return case.finding(host.fqdn, "boot.up", subject, grade, planned="answers after the reboot", found=found,
                            message=message, fix=fix, symptom=symptom, at=seen.ended)

    last = seen.outages[-1] if seen.outages else None
    if last is not None and not last.back:
        waited = show_seconds(span(seen.ended, last.silent))
        known = f"It last answered at {_clock(last.answered)}." if last.answered else "It was silent when the watch began."
        if cut_short(case, seen, last.silent):
            yield finding(", ".join(host.addresses), Grade.UNPROVEN, f"no sign of life for {waited} so far",
                          f"{host.name} had given no sign of life for {waited} when the watch was interrupted, too soon to say "
                          f"that it does not come back. {known}", (_watch_on(case, host, last),), "silent")
            return
        yield finding(", ".join(host.addresses), Grade.FAIL, f"no sign of life for {waited}",
                      f"{host.name} did not come back: no sign of life in the {waited} until {_clock(seen.ended)}. {known}",
                      ("look at its console: does it wait for a key, a passphrase or a disk check?",
                       "ip -br link; ip -br address; ip route",
                       "when it is back:", _watch_again(case, host, f"--since {last.silent}")), "silent")
        return
    if last is None and not seen.since:
        yield finding(_SUBJECT, Grade.UNPROVEN, "it was not seen to go down",
                      f"{host.name} was not seen to go down, so nothing can be said of its coming back.", symptom="no-silence")
        return
    for sign in seen.signs:
        moments = [moment for moment in seen.moments if moment.sign == sign]
        # An echo that nobody ever answers is a filter's doing and no part of a reboot; host.echo judges it.
        if not sign.service and not any(moment.reading is Reading.UP for moment in moments):
            continue
        yield _came_back(case, host, seen, sign, moments, last)


def _came_back(case: Case, host: Host, seen: BootEvidence, sign: Sign, moments: list[Moment], last: Outage | None) -> Finding:
    subject, words = _subject(host, sign), _words(sign)
    final = moments[-1] if moments else None
    after = [moment for moment in moments if last is None or moment.at >= last.back]
    if final is not None and final.reading is Reading.UP:
        first = next((moment for moment in after if moment.reading is Reading.UP), final)
        flaps = sum(moment.reading is Reading.UP for moment in after) - 1
        note = f"; it went and came {flaps} more times" if flaps > 0 else ""
        if last is None:
            return case.finding(host.fqdn, "boot.up", subject, Grade.PASS, planned="answers after the reboot",
                                found=f"answers since {_clock(first.at)} or before{note}",
                                message=f"{_begun(words)} of {host.name} answers{note}.", at=first.at)
        delay = Interval(max(0.0, span(first.after or first.at, last.back)), span(first.at, last.still or last.silent))
        judged = case.measured_finding(
            host.fqdn, "boot.up", subject, delay, case.limits["boot_service_delay"], planned="answers after the reboot, soon",
            quantity=f"The delay of {words} on {host.name} after the host's first sign of life{note}",
            fix=(f"on {host.name}: systemd-analyze critical-chain; journalctl -b -u UNIT",), symptom="late", at=first.at)
        return msgspec.structs.replace(judged, found=f"back at {_clock(first.at)}, {judged.found} after the first sign of life")
    if final is None or final.reading is Reading.UNKNOWN:
        return case.finding(host.fqdn, "boot.up", subject, Grade.UNPROVEN, planned="answers after the reboot",
                            found="the runner could not ask", message=f"The runner could not ask for {words} of {host.name}"
                            f"{': ' + final.detail if final and final.detail else ''}.")
    told = f"{final.reading}{': ' + final.detail if final.detail else ''}"
    if cut_short(case, seen, last.back if last else seen.began):
        return case.finding(
            host.fqdn, "boot.up", subject, Grade.UNPROVEN, planned="answers after the reboot", found=f"not yet back ({told})",
            message=f"{_begun(words)} of {host.name} did not answer when the watch was interrupted, too soon to say that it does "
            "not come back.", fix=(_watch_on(case, host, last),), symptom="interrupted", at=seen.ended)
    found, symptom = f"never came back ({told})", "never"
    if last and (returned := next((moment for moment in after if moment.reading is Reading.UP), None)):
        found, symptom = f"came back, and is gone again ({told})", "gone-again"
        message = (f"{_begun(words)} of {host.name} came back at {_clock(returned.at)}, was gone again at {_clock(final.at)} and "
                   f"had not come back by {_clock(seen.ended)}; the host itself had.")
    elif last and any(moment.reading is Reading.UP and moment.at <= last.silent for moment in moments):
        by_hand = " A service that was started by hand is ended by a reboot." if sign.service else ""
        message = (f"{_begun(words)} of {host.name} answered before the reboot and had not come back by "
                   f"{_clock(seen.ended)}; the host itself had.{by_hand}")
    else:
        message = f"{_begun(words)} of {host.name} had not answered by {_clock(seen.ended)}, though the host itself had."
    return case.finding(
        host.fqdn, "boot.up", subject, Grade.FAIL, planned="answers after the reboot", found=found,
        message=message, fix=_enable(host, sign), symptom=symptom, at=seen.ended)


def _enable(host: Host, sign: Sign) -> tuple[str, ...]:
    if not sign.service:
        return (f"on {host.name}: ip -br address; nft list ruleset",
                f"have {sign.address} set, and echoes let in, at every boot")
    if sign.name == "time":
        return (f"on {host.name}: systemctl is-enabled chrony ntpsec systemd-timesyncd; chronyc -n sources",
                "enable the one that is meant, for every boot: systemctl enable --now UNIT")
    return (f"on {host.name}: systemctl --failed; ss -ltnp",
            "enable the service for every boot, and start it: systemctl enable --now UNIT",
            "see why it did not start: journalctl -b -u UNIT")


def _subject(host: Host, sign: Sign) -> str:
    """As the other checks write it: the port, with the address where there are several; the address alone for the rest."""
    if sign.name.endswith("/tcp"):
        return f"{sign.name} at {sign.address}" if len(host.addresses) > 1 else sign.name
    return f"{sign.name} {sign.address}"


def _words(sign: Sign) -> str:
    if sign.name == "echo":
        return f"echo at {sign.address}"
    if sign.name == "time":
        return f"the time service at {sign.address}"
    spoken = {"tls": " with TLS", "ssh": " with SSH"}.get(sign.speaks, "")
    return f"{sign.name}{spoken}"


def _begun(words: str) -> str:
    """Words as they begin a sentence."""
    return words[:1].upper() + words[1:]


def _settled(case: Case, host: Host, seen: BootEvidence) -> Iterable[Finding]:
    """Whether all planned ports answered round after round."""
    wanted = f"all planned ports answer in {seen.steady_rounds} rounds in a row, over {show_seconds(seen.steady_seconds)}"

    def finding(grade: Grade, found: str, message: str, fix: tuple[str, ...] = (), symptom: str = "") -> Finding:
        return case.finding(host.fqdn, "boot.settled", _SUBJECT, grade, planned=wanted, found=found, message=message, fix=fix,
                            symptom=symptom, at=seen.settled or seen.ended)

    last = seen.outages[-1] if seen.outages else None
    if seen.settled:
        took = f", {show_seconds(span(seen.ready, last.silent))} after it went silent" if last and last.answered else ""
        yield finding(Grade.PASS, f"answering since {_clock(seen.ready)}{took}",
                      f"{host.name} has answered on all planned ports since {_clock(seen.ready)}{took}; settled at "
                      f"{_clock(seen.settled)}.{_earlier(seen)}")
    elif seen.why == "interrupted":
        yield finding(Grade.UNPROVEN, "the watch was interrupted", f"The watch of {host.name} was interrupted before it settled.",
                      symptom="interrupted")
    elif last is None and not seen.since:
        yield finding(Grade.UNPROVEN, "it was not seen to go down", f"{host.name} was not seen to go down, so that it settled "
                      "again cannot be told.", symptom="no-silence")
    elif since := too_short(seen):
        watched = show_seconds(span(seen.ended, since))
        yield finding(Grade.UNPROVEN, f"answering for {watched}, and the watch ended",
                      f"{host.name} answered on all planned ports from {_clock(since)} on, and the watch ended {watched} later: "
                      f"too soon to tell whether it settles, which takes {show_seconds(settling_seconds(seen))} of answers.",
                      (_watch_on(case, host, last),), "too-short")
    else:
        gone = last is not None and not last.back
        message = (f"{host.name} did not settle: it had not come back by {_clock(seen.ended)}." if gone else
                   f"{host.name} did not settle by {_clock(seen.ended)}: a planned port never answered, or not for long enough.")
        yield finding(Grade.FAIL, "not settled", message,
                      ("once that is mended, watch it longer:",
                       _watch_again(case, host, "--timeout 60min")), "silent" if gone else "unsettled")


def _earlier(seen: BootEvidence) -> str:
    """How long the host's own earlier reboots took, as a sentence beside this one: for the reader, and no grade."""
    if not seen.earlier_seconds:
        return ""
    least, most = min(seen.earlier_seconds), max(seen.earlier_seconds)
    if len(seen.earlier_seconds) == 1:
        return f" The one watched before took {show_seconds(most)}."
    return f" The {len(seen.earlier_seconds)} watched before took {show_seconds(least)} to {show_seconds(most)}."


def _identity(case: Case, host: Host, seen: BootEvidence) -> Iterable[Finding]:
    """The host keys before against those after, for each port where a key type was proven both times."""
    after = {(where, kind): fingerprint for where, kind, fingerprint in seen.keys_after}
    both = [(where, kind, fingerprint, after[where, kind]) for where, kind, fingerprint in seen.keys_before
            if (where, kind) in after]
    for where in dict.fromkeys(pair[0] for pair in both):
        port, _space, address = where.partition(" ")
        subject = f"{port} at {address}" if len(host.addresses) > 1 else port
        changed = [(kind, old, new) for place, kind, old, new in both if place == where and old != new]
        same = [kind for place, kind, old, new in both if place == where and old == new]
        if not changed:
            yield case.finding(host.fqdn, "boot.identity", subject, Grade.PASS, planned="the host keys from before",
                               found=f"the same {', '.join(same)} key", message=f"{host.name} proved the same SSH host keys "
                               "after the reboot as before.", at=seen.ended)
            continue
        kind, old, new = changed[0]
        when = "over the reboot" if seen.outages else "while it was watched, though no silence was seen"
        more = f" So did {len(changed) - 1} more." if len(changed) > 1 else ""
        yield case.finding(
            host.fqdn, "boot.identity", subject, Grade.FAIL, planned=f"{kind} {old}", found=f"{kind} {new}",
            message=f"The {kind} host key at {address} port {port} changed {when}.{more} Another machine answers, or "
            "this one was installed anew or booted from another disk.",
            fix=(f"on the console of {host.name}: for key in /etc/ssh/ssh_host_*_key.pub; do ssh-keygen -lf $key; done",
                 f"must show: {old}",
                 f"on its wire, see who else holds {address}: arping -D -I INTERFACE -c 3 {address}"),
            symptom="other-key", at=seen.ended)


def _watch_again(case: Case, host: Host, more: str = "") -> str:
    """The command that watches one host again, fit for a shell whatever its plan is called."""
    return f"seatrial await {shlex.quote(case.plan.file)} --host {shlex.quote(host.name)} {more}".rstrip()


def _watch_on(case: Case, host: Host, last: Outage | None) -> str:
    """The command that goes on with a watch that ended too soon."""
    return f"watch it on: {_watch_again(case, host, f'--since {last.silent}' if last else '')}"


#: Which later fails of the same host only repeat that a sign never came back, by the sign's name or what it speaks.
_REPEATED = frozenset({"port.open", "ssh.identity", "certificate.protocol"})


def explain(findings: list[Finding]) -> list[Finding]:
    """Fold what the verification finds still missing under the boot that did not bring it back.

    A host that is silent behind a dead gateway did not come back because of that gateway, as far as can be told.
    """
    behind = {finding.host: finding.because for finding in findings if finding.check == "host.echo" and finding.because}
    findings = [msgspec.structs.replace(finding, because=behind[finding.host])
                if finding.check == "boot.up" and finding.symptom == "silent" and finding.host in behind else finding
                for finding in findings]
    # An address that answers nothing at all is missing or shut, whichever services were to come back at it.
    shut = {(finding.host, finding.subject): finding.ref for finding in findings
            if finding.check == "host.echo" and finding.grade is Grade.FAIL and finding.symptom == "silent"}
    findings = [msgspec.structs.replace(finding, because=(shut[where],))
                if finding.check == "boot.up" and finding.grade is Grade.FAIL and finding.symptom != "silent"
                and (where := (finding.host, finding.subject.rpartition(" ")[2])) in shut else finding
                for finding in findings]
    never = {(finding.host, finding.subject): finding for finding in findings
             if finding.check == "boot.up" and finding.grade is Grade.FAIL}
    if not never:
        return findings
    # A port that accepts by now did come back, and what is wrong behind it is wrong for another reason.
    back = {(finding.host, finding.subject) for finding in findings
            if finding.check == "port.open" and finding.grade is Grade.PASS}
    return [msgspec.structs.replace(finding, because=(cause.ref,))
            if not finding.because and (cause := _boot_cause(finding, never, back)) else finding for finding in findings]


def _boot_cause(
    effect: Finding, never: dict[tuple[str, str], Finding], back: set[tuple[str, str]]
) -> Finding | None:
    if effect.grade not in (Grade.FAIL, Grade.UNPROVEN):
        return None
    gone = next((cause for (host, _subject), cause in never.items() if host == effect.host and cause.symptom == "silent"), None)
    if gone is not None and effect.check in ("host.echo", "boot.settled", "boot.new") and effect.symptom == "silent":
        return gone
    if effect.check in _REPEATED:
        return never.get((effect.host, effect.subject)) if (effect.host, effect.subject) not in back else None
    if effect.check == "clock.synchronised":
        return never.get((effect.host, f"time {effect.subject}"))
    if effect.check == "boot.settled":
        return next((cause for (host, subject), cause in never.items() if host == effect.host and "/tcp" in subject), None)
    return None


def _clock(at: str) -> str:
    """A stamp as it is read at night: the day and the second, in UTC; the evidence has the rest."""
    moment = read_time(at)
    return f"{moment.astimezone(datetime.UTC):%Y-%m-%d %H:%M:%S} UTC" if moment else at or "a time not known"
