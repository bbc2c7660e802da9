"""Reads what people wrote: the plan file, and the host rows of a spreadsheet that it names."""

from verify.planfile.reader import files_of, plan_of, read_plan

__all__ = ["files_of", "plan_of", "read_plan"]
