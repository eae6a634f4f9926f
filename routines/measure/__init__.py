"""From pixels to a spike error or a star width, each with a standard uncertainty and flags."""
