"""What is estimated over the whole run: error rates, departure of parents, class prior."""
