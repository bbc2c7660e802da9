"""Turns a plan into questions: one file a family."""
