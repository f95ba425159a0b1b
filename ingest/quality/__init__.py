"""Doubts about a reading: flags, never silent drops."""

from ingest.quality.judge import Judge, Judged
from ingest.quality.limits import plausibility

__all__ = ["Judge", "Judged", "plausibility"]
