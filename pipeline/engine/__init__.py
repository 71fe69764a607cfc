"""The night's work, left to right: run, measure, solve, jobs, render, outputs, record, sending."""
