"""Between two runs, or over many: what moved, where a value is heading, and the same evidence graded again."""
