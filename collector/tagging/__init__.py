"""What the phones were doing when: written down, put right, never overwritten."""
