"""Ready recipes to copy and edit."""
