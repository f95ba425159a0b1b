"""Handover sheets, return reports and sharing links over HTTP."""
