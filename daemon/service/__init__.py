"""The long-running service: one thread that carries runs out, what others may ask of it, and its life.

``engine`` owns runs and devices, ``bench`` opens the devices for one run, ``people`` waits for a
person or a hook, ``life`` starts and ends the process; ``logs``,
``notify`` and ``lock`` are what it leans on.
"""
