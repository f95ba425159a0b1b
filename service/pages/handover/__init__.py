"""The handover sheet and the report on return as pages that print."""
