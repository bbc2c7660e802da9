"""``seatrial verify``: probe every planned host once, grade, report."""

from __future__ import annotations

from pathlib import Path

import click

from verify.commands.options import ProbingOptions, probing_options

_EPILOG = """\
What is sent, to planned addresses only: name questions (UDP and TCP) to the planned name servers; one short burst of
ICMP echoes to each host and gateway, one more of the planned packet size to each host and, where that is lost, some
of other sizes; on the hosts' own wire three ARP or neighbour questions for each address (4 s in all); NTP exchanges
with the planned time sources and the hosts that serve time, ICMP time stamp and HTTP HEAD requests to those that do
not; TCP connections to planned ports, with a TLS handshake or an SSH key exchange where the plan says so. Nothing is
changed.

Hosts are logged in to only where the plan has a table [access], only with its key or an agent, never with a password, and
only behind a host key of its known-hosts file.  There, commands are run that read and change nothing: "seatrial explain
'system.*'" lists every one, and the report shows each with its output and exit status.

Probe only hosts you may probe; your site's change and security rules come first.
"""


@click.command(epilog=_EPILOG)
@click.argument("plan", type=click.Path(path_type=Path))
@probing_options
def command(plan: Path, options: ProbingOptions) -> None:
    """Probe every host of PLAN once, grade what was seen, and write the report.

    The summary goes to standard output; the JSON and HTML reports go to files in the --output folder unless --json or
    --html names another place.
    """
    from verify.commands.probing import run_and_report

    run_and_report(plan, options, kind="verify")
