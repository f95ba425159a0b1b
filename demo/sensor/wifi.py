"""Joins the network; the port reconnects by itself when it was lost."""

import network


def join(name, password):
    """Start joining; returns the interface at once, also while the network is away."""
    wifi = network.WLAN(network.STA_IF)
    wifi.active(True)
    if not wifi.isconnected():
        wifi.connect(name, password)
    return wifi
