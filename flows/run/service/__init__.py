"""Starting ``checkstrip run`` with the computer: systemd, launchd, the Windows Task Scheduler."""
