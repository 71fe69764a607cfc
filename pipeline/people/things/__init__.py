"""Things that belong to people, which no network knows: found in the picture of a frame."""
