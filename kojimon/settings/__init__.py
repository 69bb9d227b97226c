"""The settings file: one YAML file becomes one frozen value, or is refused whole with every fault named."""
