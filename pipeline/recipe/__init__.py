"""A recipe file: parsing, checking, and the steps it binds."""
