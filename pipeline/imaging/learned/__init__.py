"""Networks of our own that clean a picture: what they are told, their weights, how they are run; see MODEL_CARD.md."""
