"""Tests, and the programs that measure, which all compute on one thread as a run does."""

from pipeline.threads import one_thread

one_thread()
