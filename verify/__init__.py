"""Decides what to ask and what the answers mean: plan file, lint, runner, grading, command line."""
