"""The configuration: one TOML file, each key overridable by an environment variable.

``LITTORAL_STORE__URL`` overrides ``[store] url``. A wrong key or value names the file (or the
variable), the key and what is allowed. Nothing is connected before the whole file is checked.
"""

from service.config.email import EmailOptions, MailServer, RecipientOptions
from service.config.integration_values import (
    DISCOVERY_BY_DEVICE,
    DISCOVERY_BY_ENTITY,
    HOMIE_TOPIC_VERSION,
    HUB_PLATFORMS,
    HomieOptions,
    HubOptions,
    IntegrationConfig,
    WebhookOptions,
)
from service.config.load import load_config, make_clock
from service.config.values import (
    AdviceConfig,
    ClockConfig,
    Config,
    HttpConfig,
    IngestConfig,
    MqttConfig,
    PicturesConfig,
    RegistryConfig,
    RouteConfig,
    SensorConfig,
    StoreConfig,
)

__all__ = [
    "DISCOVERY_BY_DEVICE",
    "DISCOVERY_BY_ENTITY",
    "HOMIE_TOPIC_VERSION",
    "HUB_PLATFORMS",
    "AdviceConfig",
    "ClockConfig",
    "Config",
    "EmailOptions",
    "HomieOptions",
    "HttpConfig",
    "HubOptions",
    "IngestConfig",
    "IntegrationConfig",
    "MailServer",
    "MqttConfig",
    "PicturesConfig",
    "RecipientOptions",
    "RegistryConfig",
    "RouteConfig",
    "SensorConfig",
    "StoreConfig",
    "WebhookOptions",
    "load_config",
    "make_clock",
]
