"""Pictures of a burst against each other."""
