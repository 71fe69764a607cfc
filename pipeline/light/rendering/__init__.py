"""How lamps render colours: what a balance of the channels alone does not mend."""
