"""What can be said of one phone, or one run, against another."""
