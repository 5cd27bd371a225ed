"""What attached phones are, what they offer, and what asking costs them."""
