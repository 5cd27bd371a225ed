"""How long a charge lasts."""
