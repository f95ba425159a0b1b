"""HTML pages for people: tanks, log, handover sheets; from the same context as the API."""

from service.pages.site import install

__all__ = ["install"]
