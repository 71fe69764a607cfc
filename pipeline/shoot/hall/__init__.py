"""What is remembered of halls from one match to the next, in the user's own data folder."""
