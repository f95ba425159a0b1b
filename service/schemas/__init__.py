"""Marshmallow fields and base schemas that the registry, the API, pages and commands share."""
