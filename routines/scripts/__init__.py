"""One generator per routine: what to do next, decided on recorded answers alone."""
