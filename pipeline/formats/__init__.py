"""Bytes of files: containers (TIFF, BMFF, JPEG segments), Exif, ICC profiles, picture files, metadata."""
