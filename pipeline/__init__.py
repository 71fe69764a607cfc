"""evencourt: an evening of court sport, finished overnight as if one even light had lit the hall."""

__version__ = "0.1.0"
