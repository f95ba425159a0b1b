"""One rule per file: derived values and log -> Recommendation with evidence."""
