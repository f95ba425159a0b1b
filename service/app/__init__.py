"""The application: from the configuration to a running process with all its parts."""
