"""The findings about a hall, gathered from a measured shoot; and what is remembered of it for the next match."""
