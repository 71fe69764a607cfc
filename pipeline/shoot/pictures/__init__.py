"""Frames compared by what they show."""
