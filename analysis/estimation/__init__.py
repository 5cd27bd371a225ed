"""From readings to energies of pieces of time, with everything they are in doubt by."""
