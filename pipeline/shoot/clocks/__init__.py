"""The cameras of a shoot and their clocks: which there are, how `clocks:` corrects them, and whether they fit."""
