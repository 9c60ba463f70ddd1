"""The steps of a run, the scheduler and the system service; may import every room from ``base`` to ``trust``."""
