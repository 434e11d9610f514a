"""Tables as laboratories send them: their cells, their shape, and lists of names."""
