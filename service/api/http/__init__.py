"""What every request meets: authentication, limits, strict JSON, entity tags, problems, OpenAPI."""
