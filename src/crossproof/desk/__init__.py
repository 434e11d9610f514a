"""The desk: a season's work in a browser on this machine, over the same functions as the command line."""
