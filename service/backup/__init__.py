"""Backups: made while the gallery is in use, verified, thinned out with age, and put back by a command."""
