"""``littoral status``: what a running service answers in, a verdict and a table out."""
