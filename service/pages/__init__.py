"""The watch page and the handover sheet: HTML for a person, from the same parts as the API."""

from service.pages.auth import Gate
from service.pages.handover import report_page, shared_refusal, sheet_page
from service.pages.site import install

__all__ = ["Gate", "install", "report_page", "shared_refusal", "sheet_page"]
