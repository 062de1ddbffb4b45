"""Stage 7, readings and notes -> what stood where on which day, all evidence weighed together."""

from sprout.timeline.news import Change, changes
from sprout.timeline.weigh import Weighed, weigh

__all__ = ["Change", "Weighed", "changes", "weigh"]
