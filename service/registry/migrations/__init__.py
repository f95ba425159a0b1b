"""The history of the registry's schema, run by ``service.registry.database.migrate``."""
