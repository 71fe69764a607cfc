"""What the frames say about a hall: how much light, how it flickers, and whether it is the light of last time."""
