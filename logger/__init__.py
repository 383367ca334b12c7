"""Recording of heats: for now, heat files. Of `thermal` it knows `heat` and `fields` alone."""
