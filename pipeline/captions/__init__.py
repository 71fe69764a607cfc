"""Words, names and consent in what is written about a frame."""
