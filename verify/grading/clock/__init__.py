"""Grades clocks: the sources and what they agree on, the runner, the hosts against the agreed time, and one another."""

from verify.grading.clock.hosts import grade_fleet, grade_host
from verify.grading.clock.selection import Agreement
from verify.grading.clock.sources import agree, grade_site

__all__ = ["Agreement", "agree", "grade_fleet", "grade_host", "grade_site"]
