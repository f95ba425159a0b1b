"""Views of tanks in; discovery and states for home-automation hubs over MQTT out."""
