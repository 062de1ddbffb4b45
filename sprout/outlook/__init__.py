"""Stage 10, all that is known of a grow up to a day -> what is to come, and what to do, each with its reason."""

from sprout.outlook.ahead import look_ahead
from sprout.outlook.priors import EarlierGrow, earlier_grow
from sprout.outlook.records import Outlook
from sprout.outlook.tables import curve_table, germination_table, growth_table, health_table, plug_table

__all__ = [
    "EarlierGrow",
    "Outlook",
    "curve_table",
    "earlier_grow",
    "germination_table",
    "growth_table",
    "health_table",
    "look_ahead",
    "plug_table",
]
