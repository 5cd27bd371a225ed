"""Uncertainties put together, and what follows from them."""
