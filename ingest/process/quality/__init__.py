"""Doubts about a reading: flags, never silent drops."""

from ingest.process.quality.judge import Judge, Judged

__all__ = ["Judge", "Judged"]
