"""Charts and cards in a reference picture: found, read, and what they say of the colour of the light."""
