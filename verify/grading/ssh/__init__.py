"""Grades SSH as seen from outside: who answers, what it offers, which keys it holds, and keys that two hosts share."""

from verify.grading.ssh.ports import grade_fleet, grade_host

__all__ = ["grade_fleet", "grade_host"]
