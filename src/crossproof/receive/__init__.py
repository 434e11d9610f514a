"""`crossproof receive`: from what a laboratory sent to an entry in config.yaml, with nothing guessed in silence."""
