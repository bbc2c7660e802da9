"""Reads what people wrote: the plan file, and the host rows of a spreadsheet that it names."""

from verify.planfile.reader import read_plan

__all__ = ["read_plan"]
