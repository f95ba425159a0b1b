"""Views of tanks and the service's health in, OpenMetrics out."""
