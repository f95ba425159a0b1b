"""Readings and rejections in; stored, or spooled to disk until they can be, out."""
