"""Stage 6, readings <-> SQLite: the book of one grow. It is only ever added to; nothing is overwritten or lost."""

from sprout.book.book import Book
from sprout.book.grow import Grow

__all__ = ["Book", "Grow"]
