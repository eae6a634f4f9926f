"""What each command does, one module a command; loaded only when it is called."""
