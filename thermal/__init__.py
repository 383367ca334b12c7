"""Physics of heating, sag and carry of thermoplastic sheet, and the polymer data. No I/O."""
