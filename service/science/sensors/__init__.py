"""Raw signals of probes in; temperature, light and pH out, with a verdict on the electrode."""
