"""The review: the page of a run, served on this machine alone, with tools to decide what only a person can."""
