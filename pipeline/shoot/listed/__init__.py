"""Frames that somebody listed: by their numbers in a cell, or in a file of captions."""
