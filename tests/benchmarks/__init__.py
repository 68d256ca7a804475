"""Measurements of speed and calibration, run as modules; nothing here is a test."""
