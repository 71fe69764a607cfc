"""`evencourt inspect`: what is in a shoot folder, and what the frames say about the light and the hall."""
