"""Jersey numbers: read in each frame, and agreed on where several frames say the same."""
