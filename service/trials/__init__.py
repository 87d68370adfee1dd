"""Trials of the service against hostile files and crowds; each module is a command that writes a result."""
