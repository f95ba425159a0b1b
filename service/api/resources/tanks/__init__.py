"""``/v1/tanks``: tanks as JSON in and out."""
