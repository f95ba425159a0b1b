"""The watch page and the handover sheet."""
