"""Faults that a night may meet, made on purpose: `python -m tests.faults`; see harness.py for how to add a kind."""
