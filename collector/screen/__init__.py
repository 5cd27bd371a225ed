"""What a person at the terminal sees and presses while phones are recorded."""
