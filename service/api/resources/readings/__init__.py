"""``/v1/tanks/{tank}/readings`` and ``/sensors``: readings as JSON in and out."""
