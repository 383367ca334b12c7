"""Everything a person meets: the commands now, the pages later. Computes nothing the other packages could."""
