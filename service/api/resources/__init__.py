"""One module for each path of the API, with its schema."""
