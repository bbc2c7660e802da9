"""What this process has used so far."""

from __future__ import annotations

import resource


def cpu_seconds() -> float:
    """CPU of this process and its ended children, user and system."""
    used = [resource.getrusage(whose) for whose in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def peak_mb() -> float:
    """The most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
