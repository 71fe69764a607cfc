"""What is in the shoot folder, and what a person wrote about it."""
