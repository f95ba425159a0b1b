"""The registry's URL in; an engine, its sessions, schema and versions of rows out."""
