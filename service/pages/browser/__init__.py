"""What keeps pages safe in a browser: who may see them, form tokens, headers, refusals."""
