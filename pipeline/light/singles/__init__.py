"""Single frames, which do not show how their rows were lit, evened by what bursts tell of the hall."""
