"""Recommendations and handover sheets in; mail to people, each morning or when urgent, out."""
