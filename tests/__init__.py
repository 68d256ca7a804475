"""Tests of sitegis."""
