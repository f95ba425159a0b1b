"""Inputs of some weeks in; what can be watched of a tank out, a value for each local day."""
