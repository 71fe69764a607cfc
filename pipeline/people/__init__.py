"""Who is in a frame, where, whom it is about and how good it is."""
