"""The simulated rig: mechanics, optics, weather, firmware on a pty and a camera, in a process of its own."""
