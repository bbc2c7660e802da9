"""The vocabulary of seatrial: plan, questions, evidence, findings, quantities, the catalogue of checks.

Plain data and pure functions.  Imports nothing of ours from outside this package and does no I/O.
"""
