"""Rules of step 3: the EQ of each track, every band with a reason."""
