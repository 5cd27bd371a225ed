"""What went otherwise than meant while recording."""
