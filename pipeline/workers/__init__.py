"""Work on many frames at once: worker processes and their limits, or a cluster, behind one function."""
