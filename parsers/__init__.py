"""From the text a phone prints to typed rows and tables; needs no phone."""
