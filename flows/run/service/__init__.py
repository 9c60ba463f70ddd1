"""Start ``checkstrip run`` with the computer; may import the farm folder and ``base``.

One module a system: systemd, launchd, the Windows Task Scheduler.
"""
