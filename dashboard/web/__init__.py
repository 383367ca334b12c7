"""What a person meets in a browser: the pages, their frame, and who may see them."""
