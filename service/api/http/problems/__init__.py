"""Errors in; problem+json (RFC 9457) out."""
