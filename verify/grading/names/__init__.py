"""Grades names: the servers, the records they hold, and whether both ends lead to each other."""

from verify.grading.names.records import grade_host
from verify.grading.names.servers import grade_site

__all__ = ["grade_host", "grade_site"]
