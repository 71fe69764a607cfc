"""How the light of scenes compares: which are compared, and by how many stops one is brighter."""
