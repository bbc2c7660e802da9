"""Reads what people wrote: the plan file, and the host rows of a spreadsheet that it names."""

from verify.planfile.reader import plan_of, read_plan

__all__ = ["plan_of", "read_plan"]
