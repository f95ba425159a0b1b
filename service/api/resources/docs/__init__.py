"""The OpenAPI document and the kinds of problem, for people to read."""
