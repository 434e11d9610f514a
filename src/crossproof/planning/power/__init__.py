"""How surely a cross can be proven before it is made."""
