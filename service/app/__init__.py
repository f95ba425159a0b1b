"""The application: from the configuration to a running process."""
