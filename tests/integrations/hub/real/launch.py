"""Starts the hub with nothing but what its configuration names. Run by the hub's own Python."""

from __future__ import annotations

import sys

from homeassistant import bootstrap  # type: ignore[import-not-found]
from homeassistant.__main__ import main  # type: ignore[import-not-found]

for name in ("DEFAULT_INTEGRATIONS", "CRITICAL_INTEGRATIONS", "STAGE_1_INTEGRATIONS"):
    assert hasattr(bootstrap, name), name
    setattr(bootstrap, name, set())
if hasattr(bootstrap, "STAGE_0_INTEGRATIONS"):  # from 2025.4 on
    bootstrap.STAGE_0_INTEGRATIONS = ()
sys.exit(main())
