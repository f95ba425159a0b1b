"""The registry's tables, all in one metadata.

Whoever imports one of these modules has the tables of all, so that alembic sees every one of
them. Whatever is filtered or sorted has a column. Times are UTC.
"""

from service.registry.tables import access, advice, events, ingest, log, processes, tanks

__all__ = ["access", "advice", "events", "ingest", "log", "processes", "tanks"]
