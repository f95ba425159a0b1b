"""Photographs of log entries: bytes of a stranger in, small JPEGs of our own making out.

``intake`` takes uploads, ``reencode`` decodes one in a process of its own, ``folder`` has the
files, ``album`` joins them with the rows of the registry.
"""
