"""A gauge against something better: a meter, or the battery's label."""
