"""What a test consists of, as a file that a person can write."""
