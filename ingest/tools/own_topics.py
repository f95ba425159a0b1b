"""Our own output at the broker: what Littoral publishes is no reading, and never suggested."""

from __future__ import annotations

from ingest.decode.routes import is_published_by_us
from service.config import Config, HomieOptions, HubOptions


def is_own_output(topic: str, config: Config) -> bool:
    """Whether Littoral publishes a topic: advice, states, and devices of its integrations."""
    if is_published_by_us(topic, config.mqtt.prefix):
        return True
    return any(
        topic.startswith(start)
        for one in config.integrations
        if isinstance(one.options, HomieOptions | HubOptions)
        for start in one.options.output_topics
    )
