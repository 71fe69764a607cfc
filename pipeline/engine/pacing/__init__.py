"""How long a run takes, when it ends, and what comes first."""
