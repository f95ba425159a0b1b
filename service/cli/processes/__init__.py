"""Commands that run the service, the ingester or the demo, check a configuration, print the API."""
