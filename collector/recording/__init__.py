"""Phones under test: reached again after every loss, and every reading kept."""
