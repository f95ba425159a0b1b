"""Registry and store, running or not, into one archive file; such a file into an empty place."""
