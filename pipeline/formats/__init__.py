"""Bytes of files: Exif, TIFF, JPEG segments, ICC profiles, picture files."""
