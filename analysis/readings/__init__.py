"""A recorded run in memory: readings on one time axis, segments, and what was found in them."""
