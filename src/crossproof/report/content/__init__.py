"""What a report says, computed once."""
