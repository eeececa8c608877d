"""Runs a written sketch against readings, without hardware."""
