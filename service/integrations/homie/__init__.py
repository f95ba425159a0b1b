"""Views of tanks in; devices of the Homie 5 convention over MQTT out."""
