"""config.yaml: settings declared, read and checked."""
