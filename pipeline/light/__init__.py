"""Lamps, flicker, white and charts: how light is found in the pictures and evened."""
