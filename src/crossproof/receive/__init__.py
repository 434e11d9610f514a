"""`crossproof receive`: from what a laboratory sent to an entry in config.yaml; nothing guessed silently."""
