"""Stateless calculations behind ``/v1/calculate`` and the command line: plain values in and out.

In: what a person knows of a water, a lamp, a salt or an electrode. Out: frozen dataclasses with
the numbers, and what to mind about them. A refused argument raises ``OutOfRangeError`` with the
name that the caller used; one inside an argument has a dotted name, such as ``tank.gh_meq_l``.
"""
