"""SQL of the log: entries, their pictures, reports that came with a link."""
