"""A virtual phone: the adbd side of the adb wire protocol, and what answers behind it."""
