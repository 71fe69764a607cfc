"""What a lens does to a picture, and taking it out: falloff, distortion, lateral colour."""
