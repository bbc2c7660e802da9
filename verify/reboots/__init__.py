"""Through a reboot: waits, watches each sign of life go and come, and asks which boot is running."""
