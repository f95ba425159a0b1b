"""Schedulers of one registry in; which tanks each of them evaluates out."""
