"""A terminal that has gone takes no more words: what would be written to it goes nowhere, and the run goes on to its end."""

from __future__ import annotations

import os
import stat

_STANDARD_OUTPUT, STANDARD_ERROR = 1, 2


def forsake(*descriptors: int) -> None:
    """Let what is written to these descriptors from now on go nowhere; of standard output and error those that are terminals.

    A terminal that has hung up no longer says that it is one (EIO in termios(3)), but is a character device still.
    """
    for descriptor in descriptors or filter(_is_device, (_STANDARD_OUTPUT, STANDARD_ERROR)):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, descriptor)
        os.close(nowhere)


def _is_device(descriptor: int) -> bool:
    try:
        return stat.S_ISCHR(os.fstat(descriptor).st_mode)
    except OSError:
        return False
