"""Logs recorded by other means."""
