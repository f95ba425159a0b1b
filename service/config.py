"""The configuration: one TOML file, each key overridable by an environment variable."""
