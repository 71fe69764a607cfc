"""Memory cards into a shoot folder: each file read once, verified on the disk, never written over."""
