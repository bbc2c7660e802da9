"""Grades certificates: trust, name, dates, strength, protocol versions, and keys that two hosts share."""

from verify.grading.certificate.ports import grade_host
from verify.grading.certificate.shared import grade_fleet

__all__ = ["grade_fleet", "grade_host"]
