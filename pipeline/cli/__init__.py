"""The commands: the only place that prints."""
