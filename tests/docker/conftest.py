"""The fixtures of the ingester and of the integrations, for the shipped configurations."""

from tests.ingest.conftest import make_bench
from tests.integrations.conftest import home

__all__ = ["home", "make_bench"]
