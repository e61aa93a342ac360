"""Choosing, as arithmetic: what a ranking of patches says of the printer's error, and which patches to lay next.

Values in, values out: it opens no file, knows no job and asks nobody.
"""
