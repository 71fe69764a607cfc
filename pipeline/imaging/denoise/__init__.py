"""Denoising by a known noise model."""
