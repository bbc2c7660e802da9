"""Pure functions from evidence, plan and limits to findings: one file a family."""
