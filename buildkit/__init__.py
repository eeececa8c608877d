"""From one YAML file to a checked circuit, a complete sketch and a wiring list."""

__version__ = "0.1.0"
