"""Recommendations and dated tasks in, iCalendar (RFC 5545) out."""
