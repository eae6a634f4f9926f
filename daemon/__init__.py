"""The long-running service: the only room that knows time, disk, network and people."""
