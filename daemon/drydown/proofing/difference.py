"""The colour difference that choosing counts in: `imaging.difference`, under the name that this package's neighbours know."""

from drydown.imaging.difference import ciede2000

__all__ = ["ciede2000"]
