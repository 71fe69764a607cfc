"""Texts of a picture as XMP, IIM and Exif: written, and read back."""
