"""Whether a comparison is fair: what is asked of each phone, and what is put right and back."""
