"""Runs the command: ``python -m daemon`` is ``drawtube``."""

from daemon.cli import main

if __name__ == "__main__":
    main()
