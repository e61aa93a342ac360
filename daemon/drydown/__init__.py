"""Drydown: drop a picture into a hot folder, get a print-ready sheet on the paper's own profile."""

__version__ = "0.1.0"
