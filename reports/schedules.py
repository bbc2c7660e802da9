"""A nightly run as lines for systemd and for cron, each quoted by its own rules."""

from __future__ import annotations

import hashlib
import re
import shlex

import msgspec

from shared.safetext import visible

_MEANINGS = (
    "exit status 0: ready, and nothing failed (cautions included, unless --strict)",
    "             1: at least one fail; with --strict also a caution, or anything that is not as it was accepted",
    "             2: not run: no usable plan, no baseline (seatrial accept), or another run of this plan is going on",
    "             3: nothing failed, but something could not be proven",
    "            70: an internal error; the evidence is kept",
)
#: What may stand in a unit file's command line without quotes; our own choice, narrower than it need be.
_PLAIN = re.compile(r"[A-Za-z0-9_@+=:,./-]+\Z")


class Nightly(msgspec.Struct, frozen=True, kw_only=True):
    """A command to run every night: its words with absolute paths, where, as whom, and when by the machine's own clock.

    ``title`` and ``domain`` are the plan's: together they are what a plan is known by.
    """

    title: str
    domain: str
    words: tuple[str, ...]
    folder: str
    account: str
    hour: int
    minute: int


def schedule_text(nightly: Nightly) -> str:
    """The service, the timer and the crontab line, with what to do with each."""
    name = _unit_name(nightly)
    return "\n".join([
        f"# /etc/systemd/system/{name}.service", *_service(nightly), "",
        f"# /etc/systemd/system/{name}.timer", *_timer(nightly), "",
        f"# then: systemctl daemon-reload && systemctl enable --now {name}.timer",
        f"# look: systemctl list-timers {name}.timer; journalctl -u {name}.service", "",
        "# or, in the place of both, one line of that account's crontab (crontab -e)", _crontab(nightly), "",
    ])


def _unit_name(nightly: Nightly) -> str:
    """What the plan is called, as far as a file name can say it, and six digits that keep two such plans apart."""
    called = re.sub(r"[^a-z0-9]+", "-", nightly.title.lower()).strip("-")[:40].rstrip("-") or "nightly"
    known_by = f"{nightly.domain}\0{nightly.title}".encode("utf-8", "replace")
    return f"seatrial-{called}-{hashlib.sha256(known_by).hexdigest()[:6]}"


def _service(nightly: Nightly) -> list[str]:
    """systemd.service(5) and systemd.exec(5)."""
    user = [f"User={_setting(nightly.account)}"] if nightly.account else []
    return [
        "[Unit]", _description(nightly), "Wants=network-online.target",
        "After=network-online.target time-sync.target", "", "[Service]", "Type=oneshot", *user,
        f"WorkingDirectory={_folder(nightly.folder)}", "ExecStart=" + " ".join(map(_exec_word, nightly.words)),
        *(f"# {line}" for line in _MEANINGS),
    ]


def _description(nightly: Nightly) -> str:
    """The title is not the last word: a backslash at the end of a line makes the next one part of it (systemd.syntax(7))."""
    return f"Description=nightly drift run of {_setting(visible(nightly.title))} by seatrial"


def _folder(path: str) -> str:
    """The working directory, with the slash of a folder behind a name whose end would be lost: a backslash or a space."""
    return _setting(path + "/" if path.endswith(("\\", " ")) else path)


def _timer(nightly: Nightly) -> list[str]:
    """systemd.timer(5).  A night that was missed while the machine was off is made up for."""
    return ["[Unit]", _description(nightly), "", "[Timer]",
            f"OnCalendar=*-*-* {nightly.hour:02}:{nightly.minute:02}:00", "Persistent=true", "", "[Install]",
            "WantedBy=timers.target"]


def _crontab(nightly: Nightly) -> str:
    """crontab(5): an unescaped percent sign ends the command, so every one is escaped after the shell's own quoting."""
    # cron mails whatever is printed: a night without news prints nothing.
    command = shlex.join(["cd", nightly.folder]) + " && " + shlex.join([*nightly.words, "--quiet"])
    return f"{nightly.minute} {nightly.hour} * * * " + command.replace("%", r"\%")


def _exec_word(word: str) -> str:
    """One word of ExecStart: quoted as in systemd.syntax(7), ``%`` doubled for specifiers, ``$`` for variables."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return escaped if _PLAIN.match(word) else f'"{escaped}"'


def _setting(value: str) -> str:
    """A whole value after an equals sign: only ``%`` means something there (systemd.unit(5), Specifiers)."""
    return value.replace("%", "%%")
