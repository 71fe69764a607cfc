"""The tables that a person fills in, written and read back, and what is suggested in them."""
