"""The devices: bytes on a line, frames on disk, and the simulated rig."""
