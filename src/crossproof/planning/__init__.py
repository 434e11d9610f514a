"""What can be proven before a cross is made, and what it takes: markers, seeds, flowers, plates."""
