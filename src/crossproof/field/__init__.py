"""From the plan to the plant and back: tags, crossing book, labels, and the codes and sheets they share."""
