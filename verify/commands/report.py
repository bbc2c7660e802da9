"""``seatrial report``: render a stored run again, put it beside another, hand it over as a bundle, or prove one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from verify.commands.options import store_option

if TYPE_CHECKING:
    from shared.history import Nights
    from verify.history.records import StoredRun

_EPILOG = """\
A bundle is one zip file with every report, the plan, the evidence, the limits with their origin and what was not proven,
and a manifest with the SHA-256 of each; the text for the ticket then ends with the manifest's own.  It is written the same
octet for octet every time.  --sign has ssh-keygen sign the manifest; the key never passes through seatrial.

--check needs no history and no network: it proves the hashes, the signature where --signers names a file of allowed signers
(one line a signer: NAME KEY-TYPE KEY), that the page and the texts say what the report says, and that the evidence graded
again gives the same grades.  Exit status: 0 everything holds, 1 something does not or the file was changed, 3 something could
not be judged.  Where a signer's line has ended since (valid-before), only the bundle itself says that it was signed in time:
that is not judged either, and said with both days.

--redact replaces addresses, or names, or both (addresses,names) by labels, the same value by the same label everywhere.
Names are those of hosts, networks, roles, people, files, the holders and issuers of certificates, and what a host calls itself;
the reasons that people typed stay, less those names.  Read what you hand over: a host's own banner may spell its name in ways
that no program finds.
"""


@click.command(epilog=_EPILOG)
@click.argument("run", required=False)
@click.option("--json", metavar="FILE", help="Write the JSON report here; - is standard output.")
@click.option("--html", metavar="FILE", help="Write the HTML report here; - is standard output.")
@click.option("--text", metavar="FILE", help="Write the ticket text here; - is standard output, as without any option.")
@click.option("--bundle", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.zip",
              help="Write everything in one file, and print the ticket text with the hash that stands for it.")
@click.option("--sign", type=click.Path(path_type=Path), metavar="KEY", help="Sign the bundle with this SSH key.")
@click.option("--redact", metavar="WHAT", help="Replace addresses, names, or addresses,names by labels.")
@click.option("--check", type=click.Path(path_type=Path), metavar="FILE.zip", help="Prove a bundle; RUN is left out.")
@click.option("--signers", type=click.Path(path_type=Path), metavar="FILE", help="Allowed signers, for --check.")
@click.option("--before", metavar="RUN", help="Put this run ...")
@click.option("--after", metavar="RUN", help="... beside this one, as text or with --html as a page; RUN is left out.")
@store_option
def command(
    run: str | None, json: str | None, html: str | None, text: str | None, bundle: Path | None, sign: Path | None,
    redact: str | None, check: Path | None, signers: Path | None, before: str | None, after: str | None, store: str | None,
) -> None:
    """Render the stored RUN as it was graded then: JSON, HTML, a text under 4,000 characters for a ticket, or a bundle.

    The HTML page then also draws what the nights up to that run saw of each clock and each certificate.

    RUN is a run's id, the beginning of one, or "last".  To grade it anew, see "regrade".
    """
    from verify.bundling import read_kinds
    from verify.commands.console import stop
    from verify.errors import UsageError
    from verify.history.errors import HistoryError

    try:
        kinds = read_kinds(redact)
        wanted = {"--json": json, "--html": html, "--text": text, "--bundle": bundle, "--sign": sign, "--redact": redact,
                  "--check": check, "--signers": signers, "--before": before, "--after": after, "RUN": run}
        purpose = _one_purpose({name for name, value in wanted.items() if value is not None})
        if check is not None:
            sys.exit(_check(check, signers))
        if before is not None and after is not None:
            _before_after(before, after, html, store)
        elif run is not None and purpose == "bundle" and bundle is not None:
            _bundle(_load(run, store), store, bundle, sign, kinds)
        elif run is not None:
            _render(_load(run, store), store, json, html, text, kinds)
    except (HistoryError, UsageError) as error:
        stop(error)


#: What may stand together, by the option that says what is wanted.
_TOGETHER = {
    "check": {"--check", "--signers"},
    "before and after": {"--before", "--after", "--html"},
    "bundle": {"RUN", "--bundle", "--sign", "--redact"},
    "render": {"RUN", "--json", "--html", "--text", "--redact"},
}


def _one_purpose(given: set[str]) -> str:
    """What is wanted.  Raises UsageError for options that do not belong together, and for too few."""
    from verify.errors import UsageError

    purpose = ("check" if "--check" in given else "before and after" if given & {"--before", "--after"}
               else "bundle" if "--bundle" in given else "render")
    odd = sorted(given - _TOGETHER[purpose])
    if odd:
        instead = {"--sign": "--sign signs a bundle: add --bundle FILE.zip",
                   "--signers": "--signers judges a bundle's signature: add --check FILE.zip"}
        raise UsageError(instead.get(odd[0]) if purpose == "render" and odd[0] in instead else
                         f"{' and '.join(odd)} cannot stand with {' '.join(sorted(given - set(odd)))}")
    if purpose == "before and after" and not {"--before", "--after"} <= given:
        raise UsageError("--before and --after stand together: --before RUN --after RUN")
    if purpose in ("bundle", "render") and "RUN" not in given:
        raise UsageError('say which run: its id, the beginning of one, or "last"; "seatrial history" lists them')
    return purpose


def _load(run: str, store: str | None) -> StoredRun:
    from verify.history import queries
    from verify.history.store import Store

    with Store.open(store) as history:
        return queries.load(history, queries.find(history, run))


def _render(stored: StoredRun, store: str | None, json: str | None, html: str | None, text: str | None,
            kinds: tuple[str, ...]) -> None:
    from reports.redact import redact
    from shared.history import NO_NIGHTS
    from verify.commands.console import STDOUT
    from verify.commands.rendering import write_renderings
    from verify.history.place import files_of_history

    if json is None and html is None and text is None:
        text = STDOUT
    report = redact(stored.report, stored.snapshot.plan, kinds)[0] if kinds else stored.report
    # The nights would tell the names that are to be hidden.
    nights = NO_NIGHTS if kinds or html is None else _nights(stored, store)
    written = write_renderings(report, nights, held=files_of_history(store), json=json, html=html, text=text)
    if STDOUT not in (json, html, text):
        click.echo("\n".join(map(str, written)))


def _nights(stored: StoredRun, store: str | None) -> Nights:
    from verify.history.following import nights_until
    from verify.history.store import Store

    with Store.open(store) as history:
        return nights_until(history, stored.record, stored.report)


def _bundle(stored: StoredRun, store: str | None, path: Path, sign: Path | None, kinds: tuple[str, ...]) -> None:
    from verify.bundling import make
    from verify.files import prove_apart, prove_writable, write_whole
    from verify.history.place import files_of_history

    prove_apart({"--bundle": path}, (*files_of_history(store), *([str(sign)] if sign else [])))
    prove_writable(path.parent)
    made = make(stored, kinds=kinds, key=sign)
    write_whole(path, made.content)
    click.echo(made.text, nl=False)
    click.echo(str(path), err=True)


def _check(path: Path, signers: Path | None) -> int:
    """Say what is proven of a bundle, a line each; the exit status."""
    from reports.bundle import BundleError
    from verify.bundling import prove
    from verify.commands.exits import Exit

    try:
        proofs = prove(_handed_over(path), signers)
    except BundleError as error:
        click.echo(f"does not hold: {error}")
        return Exit.FAILED
    for proof in proofs:
        click.echo(f"{ {True: 'holds', False: 'does not hold', None: 'not judged'}[proof.held] }: {proof.said}")
    if any(proof.held is False for proof in proofs):
        return Exit.FAILED
    return Exit.UNPROVEN if any(proof.held is None for proof in proofs) else Exit.READY


def _handed_over(path: Path) -> bytes:
    """The octets of a file; none of one that is larger than any bundle can be.  Raises UsageError."""
    import stat

    from reports.archive import OCTETS_LIMIT
    from verify.errors import UsageError

    try:
        found = path.stat()
        # Asked before opening: a pipe would wait for a writer that never comes, and a device may have no end.
        if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
            raise UsageError(f'--check "{path}" is a device or a pipe, not a file; give the path of the bundle itself')
        return path.read_bytes() if found.st_size <= OCTETS_LIMIT else b""
    except OSError as error:
        raise UsageError(f'--check "{path}": {error.strerror}') from error


def _before_after(before: str, after: str, html: str | None, store: str | None) -> None:
    from reports.beforeafter import build, to_html
    from reports.drifttext import drift_text
    from verify.commands.console import STDOUT, columns
    from verify.comparing.drift import compare
    from verify.files import prove_apart, prove_files, write_whole
    from verify.history import queries
    from verify.history.place import files_of_history
    from verify.history.store import Store

    with Store.open(store) as history:
        first, second = (queries.lean_report(history, queries.find(history, run)) for run in (before, after))
    drift = compare(first, second, called="the run before")
    if html is None:
        click.echo(drift_text(drift, width=columns(), title=f"Run {second.run.id} beside run {first.run.id}.",
                              whole="the same command with --html FILE"))
        return
    page = to_html(build(first, second, drift)).encode()
    if html == STDOUT:
        sys.stdout.buffer.write(page)
        sys.stdout.buffer.flush()
        return
    prove_apart({"--html": Path(html)}, files_of_history(store))
    prove_files({"--html": Path(html)})
    write_whole(Path(html), page)
    click.echo(html)
