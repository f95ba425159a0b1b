"""``/v1/tanks/{tank}/log``: log entries as JSON in and out."""
