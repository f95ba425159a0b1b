"""Pictures on pages: rows of the registry in, what a template shows of them out."""
