"""What a shoot itself shows of its lenses."""
