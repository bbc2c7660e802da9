"""``seatrial report``: render a stored run again."""

from __future__ import annotations

import click

from verify.commands.options import store_option


@click.command()
@click.argument("run")
@click.option("--json", metavar="FILE", help="Write the JSON report here; - is standard output.")
@click.option("--html", metavar="FILE", help="Write the HTML report here; - is standard output.")
@click.option("--text", metavar="FILE", help="Write the ticket text here; - is standard output, as without any option.")
@store_option
def command(run: str, json: str | None, html: str | None, text: str | None, store: str | None) -> None:
    """Render the stored RUN as it was graded then: JSON, HTML, or a text under 4,000 characters for a change ticket.

    RUN is a run's id, the beginning of one, or "last".  To grade it anew, see "regrade".
    """
    from verify.commands.probing import STDOUT, stop
    from verify.commands.rendering import write_renderings
    from verify.errors import UsageError
    from verify.history import queries
    from verify.history.errors import HistoryError
    from verify.history.store import Store

    if json is None and html is None and text is None:
        text = STDOUT
    try:
        with Store.open(store) as history:
            stored = queries.load(history, queries.find(history, run))
        written = write_renderings(stored.report, json=json, html=html, text=text)
    except (HistoryError, UsageError) as error:
        stop(error)
    if STDOUT not in (json, html, text):
        click.echo("\n".join(map(str, written)))
