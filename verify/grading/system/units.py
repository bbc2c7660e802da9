"""What the service manager's words about a unit mean: whether it runs, and whether it will after the next boot."""

from __future__ import annotations

from shared.hostfacts import Unit

#: What systemd says of a unit that runs or did its work, and of one that does not (systemctl(1)).
RUNS, STANDS = frozenset({"active", "reloading"}), frozenset({"inactive", "failed", "deactivating"})
#: Unit files that nothing starts at boot by themselves, and those that another unit may (systemctl(1), is-enabled).
_NOT_AT_BOOT = frozenset({"disabled", "linked", "linked-runtime", "masked", "masked-runtime", "transient"})
_BY_ANOTHER = frozenset({"static", "indirect", "alias", "generated"})
#: The finer state of a unit that fell over and is about to be started again.
_AGAIN = "auto-restart"


def calls(unit: Unit, sockets: tuple[Unit, ...]) -> Unit | None:
    """The socket that listens now and after the next boot and starts this unit when it is called; None where none does."""
    return next((socket for socket in sockets if socket.name in (unit.triggered_by or ()) and socket.load == "loaded"
                 and socket.active in RUNS and at_boot(socket)), None)


def at_boot(unit: Unit, sockets: tuple[Unit, ...] = ()) -> bool | None:
    """Whether it starts at boot; None where that hangs on what was not asked, or on a word that is not known here.

    What is enabled in /run alone (enabled-runtime) is gone after a boot, unless a program such as a generator of network
    settings enables it there anew each time.
    """
    if unit.enabled == "enabled" or calls(unit, sockets):
        return True
    if unit.enabled in _BY_ANOTHER:
        return True if unit.wanted_by or unit.wanted_by is None else None
    if unit.enabled in _NOT_AT_BOOT:
        return None if unit.triggered_by or unit.wanted_by else False
    return None


def falls_over(unit: Unit) -> bool:
    """Whether it ended by itself a moment ago and is started again and again."""
    return unit.active == "activating" and unit.sub == _AGAIN


def starters(unit: Unit) -> str:
    """What may start it, in words."""
    named = ", ".join((*(unit.triggered_by or ()), *(unit.wanted_by or ())))
    return f"what may start it is {named}" if named else "nothing that is known starts it"
