"""What phones are made to do by themselves, and whom they may call."""
