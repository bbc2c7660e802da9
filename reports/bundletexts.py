"""The small texts of a bundle: what is in it and how to prove it, the limits, and what was not proven."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from reports.figures import limit_words
from shared import catalogue
from shared.run import Report
from shared.safetext import visible

_COLUMNS = 100


def readme(report: Report, redacted: Sequence[str]) -> str:
    """What each file is, how to prove the whole, and what redaction means for it."""
    head = f"""\
Run {visible(report.run.id)} of {visible(report.run.plan.title or report.run.plan.file)}, {report.run.started}

summary.txt       the run in under 4,000 characters, to paste into a ticket
report.html       the whole report, to read: one file, nothing is fetched
report.json       the same for programs (seatrial-report/1)
plan.json, plan/  the plan as it was read, and its files as they were typed where these are at hand
evidence.json     everything that was seen, apart from what was concluded
limits.txt        every limit in force, with where its number comes from
not-proven.txt    what the run did not prove, why, and what would
bundle.json       what made this bundle, and which checks were asked for
MANIFEST.sha256   the SHA-256 of every file above

Prove it without any network:
  seatrial report --check FILE.zip --signers ALLOWED_SIGNERS
or by hand, after unpacking:
  sha256sum --check MANIFEST.sha256
  ssh-keygen -Y verify -n seatrial -f ALLOWED_SIGNERS -I WHO -s MANIFEST.sha256.sig < MANIFEST.sha256
Hashes alone prove that the files belong together; only a signature, or the manifest's own SHA-256 kept elsewhere,
proves that nobody made them all anew.
"""
    return head + (_redaction(redacted) if redacted else "")


def _redaction(redacted: Sequence[str]) -> str:
    return f"""
REDACTED: {' and '.join(redacted)} have been replaced by labels, the same value by the same label everywhere in this bundle.
Every hash in it is of the redacted form, but for the plan's own SHA-256, which is of the plan as it was.  Certificates and
keys as octets are left out, and so is the plan as it was typed.  Fingerprints are kept, so that shared keys still show.
Grades cannot be derived again from labels.  Text of a host's own making may hide a name where no program finds it.
"""


def limits(report: Report) -> str:
    """Every limit in force, its comparison and its origin."""
    told = [f"profile {visible(report.run.profile)}", ""]
    for limit in report.run.limits:
        rule = catalogue.LIMITS.get(limit.name)
        words = limit_words(limit, rule.unit) if rule else f"caution {limit.caution}, fail {limit.fail}"
        told += [f"{limit.name}: {words}", _folded(limit.origin)]
    return "\n".join(told) + "\n"


def not_proven(report: Report) -> str:
    """Everything that was not proven, why, and what would prove it."""
    coverage = report.coverage
    told = [f"{coverage.proven} of {coverage.planned} planned checks were proven, one way or the other.", ""]
    for missing in coverage.missing:
        told += [missing.check, _folded(f"of: {', '.join(missing.subjects)}"), _folded(f"why: {missing.why}"),
                 _folded(f"would prove it: {missing.would_prove}"), ""]
    return "\n".join(told).rstrip("\n") + "\n"


def _folded(text: str) -> str:
    return textwrap.fill(visible(text), _COLUMNS, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)
