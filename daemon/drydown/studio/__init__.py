"""The studio's own files: `studio.toml`, stocks and recipes, read, checked, laid over each other and put into words.

Knows no pixel: whether a profile opens and whether a picture fits its sheet are functions handed in.
"""
