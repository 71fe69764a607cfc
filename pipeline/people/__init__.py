"""People in frames: who is there and where, who the subject is, how to crop around them, how good a frame is."""
