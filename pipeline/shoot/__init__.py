"""Read-only view of a shoot folder: frames, Exif, the facts of the event, bursts."""
