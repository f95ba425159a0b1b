"""Pictures of log entries over HTTP: uploads in, our own JPEGs and their list out."""
