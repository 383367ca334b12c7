"""Everything that compares what was measured with what is modelled. Imports `thermal`; takes heats as values."""
