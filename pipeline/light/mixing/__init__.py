"""How the light of a hall's lamps mixes over one frame."""
