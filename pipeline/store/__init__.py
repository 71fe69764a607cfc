"""Keyed files in the work folder, digests, and packed arrays."""
